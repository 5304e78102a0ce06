"""Which notes start when in a mix: heard by a small network, since rises of single frequencies hide each other there.

The partials of one part hide the first of another, a drum is a rise of everything, and a voice or an organ rises
slowly. What tells them apart is the whole shape of a note over its partials and a tenth of a second, and that can be
learned. The network was taught with an hour of random music of our own (``bench/pitches_taught.py``), by
instruments that no benchmark of lineup plays, so that what it knows is notes, not songs.

It sees levels in semitones, through four windows, against the song's own quiet. Three of its five layers look along
time, two at what lies whole partials, fifths and octaves above and below, and it gives each semitone the likelihood
that a note of that pitch starts, every 5 ms. Its twelve thousand weights lie beside this file.

References
----------
Fukushima (1980), Biol. Cybern. 36, 193, for layers that look for the same everywhere; Glorot, Bordes and Bengio (2011)
for halves of straight lines between them (both from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from importlib import resources

import numpy as np

from partsong.lineup.features import RATE_HZ, Floats, Heard
from partsong.lineup.spectra import floors, spectra

LOWEST, PITCHES = 28, 85
"""The lowest pitch that is listened for, as MIDI (1.0, 1996) counts semitones, and how many: 41 to 5300 Hz."""

_WINDOWS = (256, 512, 1024, 2048)
_ABOVE = (-24, -19, -12, -7, -1, 0, 1, 7, 12, 19, 24, 28, 31)  # semitones
_REACH = 13  # frames of 10 ms that it looks back and ahead


def pitch_starts(heard: Heard, voice: int = 0, *, filmed: bool = False) -> Iterator[Floats]:
    """Yield how likely it is that a note of each pitch starts, in pieces (pitches, frames) at 200 Hz, from 0 to 1.

    ``filmed`` says that a camera heard it, in whatever room, and not a mix.
    """
    weights = _weights("pitches_filmed" if filmed else "pitches")
    banks = [_bank(window) for window in _WINDOWS]
    quiet = [
        floors(np.concatenate([power @ bank for power in spectra(heard, voice, window, 16)])).astype(np.float32)
        for window, bank in zip(_WINDOWS, banks, strict=True)
    ]
    held = np.zeros((2 * len(_WINDOWS), PITCHES, _REACH), np.float32)
    frames = 0
    for powers in zip(*(spectra(heard, voice, window) for window in _WINDOWS), strict=True):
        frames += len(powers[0])
        levels = [np.log1p(power @ bank / floor).T / 4 for power, bank, floor in zip(powers, banks, quiet, strict=True)]
        held = np.concatenate([held, _paired(np.stack(levels))], axis=2)
        if held.shape[2] > 2 * _REACH:
            yield _started(weights, held)
            held = held[:, :, -2 * _REACH :]
    rest = _started(weights, np.concatenate([held, np.zeros_like(held[:, :, :_REACH])], axis=2))
    yield rest[:, : rest.shape[1] - frames % 2]


def all_pitch_starts(heard: Heard) -> Floats:
    """Return all of :func:`pitch_starts` of a stem or a mix (pitches, frames), in half precision."""
    return np.concatenate([piece.astype(np.float16) for piece in pitch_starts(heard)], axis=1)


def _paired(levels: Floats) -> Floats:
    """Turn levels (windows, pitches, frames) into pairs of frames (2 windows, pitches, frames / 2), silence added."""
    levels = np.pad(levels, ((0, 0), (0, 0), (0, levels.shape[2] % 2)))
    return np.concatenate([levels[:, :, 0::2], levels[:, :, 1::2]])


def _bank(window: int) -> Floats:
    """Return how much each frequency of a window counts for each pitch: (frequencies, pitches)."""
    hz = np.arange(window // 2 + 1) * RATE_HZ / window
    pitch_hz = 440 * 2 ** ((np.arange(PITCHES) + LOWEST - 69) / 12)
    wide_hz = np.maximum(0.03 * pitch_hz, 0.6 * RATE_HZ / window)
    bank = np.exp(-0.5 * ((hz[:, None] - pitch_hz) / wide_hz) ** 2)
    bank[hz < 25] = 0
    return bank.astype(np.float32)


@cache
def _weights(name: str) -> Mapping[str, Floats]:
    with resources.files("partsong.lineup").joinpath(f"{name}.npz").open("rb") as file, np.load(file) as weights:
        return dict(weights)


def _started(weights: Mapping[str, Floats], levels: Floats) -> Floats:
    """Return the likelihoods (pitches, 2 (n - 26)) of pairs of frames (8, pitches, n)."""

    def lined(name: str, rows: Floats) -> Floats:
        return np.asarray(np.tensordot(weights[name], rows, 1) + weights[f"{name}_bias"][:, None, None], np.float32)

    heard = np.maximum(lined("attack", _around(levels, 3, 7, 1)), 0)
    heard = np.maximum(lined("partials", _above(heard)), 0)
    heard = heard[:, :, 8:-8] + np.maximum(lined("before", _around(heard, 1, 9, 2)), 0)
    heard = heard + np.maximum(lined("others", _above(heard)), 0)
    told = lined("told", _around(heard, 3, 5, 1))
    return np.asarray(1 / (1 + np.exp(-np.moveaxis(told, 0, 2).reshape(PITCHES, -1))), np.float32)


def _around(rows: Floats, pitches: int, frames: int, apart: int) -> Floats:
    """Return what lies around each cell: rows (n, pitches, frames) become (n * pitches * frames, pitches, fewer)."""
    beside = pitches // 2
    padded = np.pad(rows, ((0, 0), (beside, beside), (0, 0)))
    count = rows.shape[2] - (frames - 1) * apart
    return np.stack(
        [
            padded[:, pitch : pitch + PITCHES, frame * apart : frame * apart + count]
            for pitch in range(pitches)
            for frame in range(frames)
        ],
        axis=1,
    ).reshape(-1, PITCHES, count)


def _above(rows: Floats) -> Floats:
    """Return what lies some semitones above and below each cell: one block of rows after the other."""
    low, high = -min(_ABOVE), max(_ABOVE)
    padded = np.pad(rows, ((0, 0), (low, high), (0, 0)))
    return np.concatenate([padded[:, low + move : low + move + PITCHES] for move in _ABOVE])
