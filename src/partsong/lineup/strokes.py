"""Where strokes fall as the notes do: for instruments of which the room hears keys, pads or fingers, not the tone.

An instrument that goes straight into the desk is not silent: its keys go down. That noise shares no waveform and hardly
a frequency with the stem, but falls where the stem's notes start. So only the times are compared: how much louder the
upper bands of the clip get against how much louder the stem gets as a whole, both rounded to 20 ms.

Every bar has its strokes, and most places of a song fit well. What tells them apart is whether the best place beats
*every* other, stretch by stretch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from partsong.lineup import coarse
from partsong.lineup.confidence import halves_agree, paired_t
from partsong.lineup.features import ONSET_BANDS, ONSET_RATE_HZ, Envelopes, Floats

_UPPER_BANDS = 8  # from 850 Hz up: knocks and clicks, and little of a room's noise
_BLOCK_S = 2.0
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


def find_strokes(clip: Envelopes, reference: Envelopes) -> Strokes | None:
    """Return where a clip's strokes fall as a stem's notes do; None where fewer than two places can be compared."""
    strokes, notes = _loudening(clip, _UPPER_BANDS), _loudening(reference, 0)
    first, z = coarse.standing_out(strokes, notes, ONSET_RATE_HZ)
    tops = coarse.peaks(z, coarse.MOST_CANDIDATES)
    if len(tops) < 2:
        return None
    blocks = np.stack([_block_scores(strokes[0], notes[0], top + first) for top in tops])
    heard = np.isfinite(blocks[0])
    if not heard.any():
        return None
    return Strokes(
        lag_s=(tops[0] + first) / ONSET_RATE_HZ,
        z=float(z[tops[0]]),
        t=min(paired_t(blocks[0], other) for other in blocks[1:]),
        fit=float(blocks[0][heard].mean()),
        blocks=int(heard.sum()),
        halves_agree=halves_agree(blocks, 0),
    )


def _loudening(envelopes: Envelopes, from_band: int) -> Floats:
    total = np.sum(envelopes.onsets[from_band:ONSET_BANDS], axis=0, dtype=np.float32)
    rounded = np.convolve(total - total.mean(), _ROUNDING, "same")
    return np.asarray(rounded[None], np.float32)


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
