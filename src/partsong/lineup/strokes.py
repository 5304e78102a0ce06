"""Where strokes fall as the notes do: for instruments of which the room hears keys, pads or fingers, not the tone.

An instrument that goes straight into the desk is not silent: its keys go down. That noise shares no waveform and hardly
a frequency with the stem, but falls where the stem's notes start. So only the times are compared: how much louder the
upper bands of the clip get against how much louder the stem gets as a whole, every band by its own measure, both
rounded to 20 ms.

Every bar has its strokes, and most places of a song fit well. What tells them apart is whether the best place beats
*every* other, stretch by stretch. The beat itself tells nothing, so it is held down: what recurs strongly in a sequence
counts less, what happens once counts more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from partsong.lineup import coarse
from partsong.lineup.confidence import halves_agree, paired_t
from partsong.lineup.features import ONSET_BANDS, ONSET_RATE_HZ, Envelopes, Floats

LONGEST_S = 900.0
"""Clips longer than this are not compared: the whole of their onsets would have to be held."""

_UPPER_BANDS = 8  # from 850 Hz up: knocks and clicks, and little of a room's noise
_BLOCK_S = 2.0
_TONE_LATER_S = 0.012  # a tone swells after its key went down: by 6 to 26 ms, as read on the practice songs
_SLOWEST_HZ, _FASTEST_HZ = 0.3, 20.0
_ROUNDING = np.hanning(9)[1:-1] / 4  # 20 ms wide: keys and notes are this loosely coupled


@dataclass(frozen=True, slots=True)
class Strokes:
    """The best place: its lag in seconds, its score, and what it rests on.

    ``t`` is the paired t over two-second blocks against whichever other place comes nearest, ``fit`` the mean
    correlation of its ``blocks``, ``halves_agree`` whether even and odd blocks choose it alike.
    """

    lag_s: float
    z: float
    t: float
    fit: float
    blocks: int
    halves_agree: bool


def find_strokes(clip: Envelopes, reference: Envelopes, *, mixed: bool = False) -> Strokes | None:
    """Return where a clip's strokes fall as a reference's notes do; None where fewer than two places can be compared.

    In a mix (``mixed``) other parts play as well: there, weak starts count more beside strong ones.
    """
    strokes, notes = _loudening(clip, _UPPER_BANDS, mixed), _loudening(reference, 0, mixed)
    first, z = coarse.standing_out(strokes, notes, ONSET_RATE_HZ)
    tops = coarse.peaks(z, coarse.MOST_CANDIDATES)
    if len(tops) < 2:
        return None
    blocks = np.stack([_block_scores(strokes[0], notes[0], top + first) for top in tops])
    heard = np.isfinite(blocks[0])
    if not heard.any():
        return None
    return Strokes(
        lag_s=(tops[0] + first) / ONSET_RATE_HZ - _TONE_LATER_S,
        z=float(z[tops[0]]),
        t=min(paired_t(blocks[0], other) for other in blocks[1:]),
        fit=float(blocks[0][heard].mean()),
        blocks=int(heard.sum()),
        halves_agree=halves_agree(blocks, 0),
    )


def _loudening(envelopes: Envelopes, from_band: int, rooted: bool) -> Floats:
    total = np.zeros(envelopes.onsets.shape[1], np.float32)
    for row in range(from_band, ONSET_BANDS):
        band = np.asarray(envelopes.onsets[row], np.float32)
        total += band / max(float(band.std()), 1e-3)
    if rooted:
        total = np.sqrt(np.maximum(total - np.median(total), 0))
    return np.asarray(_without_beat(np.convolve(total - total.mean(), _ROUNDING, "same"))[None], np.float32)


def _without_beat(series: Floats) -> Floats:
    """Return a sequence with the square root of each frequency's size, its phase kept, from 0.3 to 20 Hz."""
    size = fft.next_fast_len(2 * len(series), real=True)
    spectrum = fft.rfft(series, size)
    hz = fft.rfftfreq(size, 1 / ONSET_RATE_HZ)
    strength = np.abs(spectrum)
    kept = (hz > _SLOWEST_HZ) & (hz < _FASTEST_HZ)
    flattened = np.where(kept, spectrum / np.sqrt(np.maximum(strength, 1e-6 * max(float(strength.max()), 1e-12))), 0)
    return np.asarray(fft.irfft(flattened, size)[: len(series)], np.float32)


def _block_scores(strokes: Floats, notes: Floats, lag: int) -> NDArray[np.float64]:
    length = round(_BLOCK_S * ONSET_RATE_HZ)
    out = np.full(len(strokes) // length, np.nan)
    for number in range(len(out)):
        start = number * length
        if start + lag >= 0 and start + lag + length <= len(notes):
            a, b = strokes[start : start + length], notes[start + lag : start + lag + length]
            energy = float(np.sqrt(np.vdot(a, a) * np.vdot(b, b)))
            if energy > 1e-9:
                out[number] = float(np.vdot(a, b)) / energy
    return out
