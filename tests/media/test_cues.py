"""The sync cues: their sound, and where they lie on the song."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from scipy import signal

from partsong.errors import InvalidInput
from partsong.film.records import TempoMark
from partsong.media.cues import cue_sound, cue_starts_s
from partsong.timebase import Time


def test_cues_are_linear_chirps() -> None:
    # SciPy's chirp is the referee; 1e-6 of full scale is float32's rounding with room to spare. The faded edges differ.
    t_s = np.arange(12000) / 48000
    for kind, low, high in (("head cue", 500, 4500), ("tail cue", 4500, 500)):
        referee = 10 ** (-6 / 20) * signal.chirp(t_s, low, 0.25, high, method="linear")
        ours = cue_sound(kind)  # type: ignore[arg-type]
        np.testing.assert_allclose(ours[480:-480], referee[480:-480], atol=1e-6)


def test_the_two_cues_are_not_taken_for_each_other() -> None:
    head, tail = (cue_sound(kind).astype(float) for kind in ("head cue", "tail cue"))  # type: ignore[arg-type]
    own = np.abs(signal.correlate(head, head)).max()
    other = np.abs(signal.correlate(head, tail)).max()
    # Chirps of opposite slope share energy only where they cross: about 1/sqrt(bandwidth x length) = 1/32 and ripple.
    assert other < own / 10


def test_a_cue_is_the_same_at_any_sample_rate():
    # Every third sample of 48 kHz is one of 16 kHz; the edges are faded on each rate's own grid.
    np.testing.assert_allclose(cue_sound("head cue", 16000), cue_sound("head cue")[::3], atol=0.05)
    np.testing.assert_allclose(cue_sound("head cue", 16000)[160:-160], cue_sound("head cue")[480:-480:3], atol=1e-6)


def test_cues_lie_a_second_outside_the_count_in_and_the_song():
    # 4/4 at 120 from the song's start: the count-in is two seconds long, the cue a quarter of one.
    tempo = (TempoMark(bar=1, at=Time(ticks=0), beats_per_bar=4, bpm_num=120),)
    assert cue_starts_s(tempo, Fraction(10)) == {"head cue": Fraction(-13, 4), "tail cue": Fraction(11)}
    with pytest.raises(InvalidInput, match="no tempo map"):
        cue_starts_s((), Fraction(10))
