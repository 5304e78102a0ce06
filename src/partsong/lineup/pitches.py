"""Which notes start when in a mix, and which of them one part plays: heard by a network.

The partials of one part hide the first of another, a drum is a rise of everything, and a voice or an organ rises
slowly. What tells them apart is the whole shape of a note over its partials and half a second, and that can be
learned. Two networks were, of one kind, with music of our own, drawn anew for every example
(``bench/pitches_taught.py``), by recordings of instruments that no benchmark of lineup plays, so that what they know is
notes, not songs: one hears mixes, the other what a camera in some room heard of a part or a mix.

They see levels in semitones, through four windows, against the sound's own quiet. Their layers look along time and at
what lies whole partials, fifths and octaves above and below; some do so every 10 ms, those that look furthest every 40.
They give each semitone the likelihood that a note of that pitch starts, every 5 ms; and, in a mix, for every 10 ms
twelve numbers which are alike for notes of one part and unlike for those of two. Their weights lie beside this file.

References
----------
Fukushima (1980), Biol. Cybern. 36, 193, for layers that look for the same everywhere; Glorot, Bordes and Bengio (2011)
for halves of straight lines between them; Hershey, Chen, Le Roux and Watanabe (2016) for numbers that are alike where
one source sounds (all from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import NamedTuple

import numpy as np

from partsong.lineup.features import RATE_HZ, Floats, Halves, Heard
from partsong.lineup.spectra import floors, spectra

LOWEST, PITCHES = 28, 85
"""The lowest pitch that is listened for, as MIDI (1.0, 1996) counts semitones, and how many: 41 to 5300 Hz."""

TOLD_FOR = 3.2
"""To how much the likelihoods add up around a start, in frames: it is told from 10 ms before to 10 ms after."""

_WINDOWS = (256, 512, 1024, 2048)
_ABOVE = (-24, -19, -12, -7, -1, 0, 1, 7, 12, 19, 24, 28, 31)  # semitones
_SLOWER = 4  # pairs of frames, of 10 ms each
_REACH = 27 * _SLOWER  # pairs that it looks back and ahead, at the most, in whole steps of the slow layers
_AT_ONCE = 512  # pairs


class Notes(NamedTuple):
    """What starts in a mix, in half precision.

    ``likely`` is (pitches, frames at 200 Hz), from 0 to 1, and ``whose`` (12, pitches, pairs of frames).
    """

    likely: Halves
    whose: Halves


@dataclass(frozen=True, slots=True)
class _Layer:
    """What is looked at, by (semitones above, pairs of frames later), and for each of these how much it counts."""

    places: tuple[tuple[int, int], ...]
    matrices: Floats
    """(places, rows out, rows in)"""
    bias: Floats


def pitch_starts(heard: Heard, voice: int = 0, *, filmed: bool = False) -> Iterator[tuple[Floats, Floats]]:
    """Yield how likely it is that a note of each pitch starts, in pieces (pitches, frames) at 200 Hz, from 0 to 1.

    And whose notes these are, (12, pitches, pairs of frames). ``filmed`` says that a camera heard it, in whatever room,
    and not a mix; then nothing is told of that: (0, pitches, pairs).
    """
    layers = _layers("pitches_filmed" if filmed else "pitches")
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
        while held.shape[2] >= _AT_ONCE + 2 * _REACH:
            yield _told(layers, held[:, :, : _AT_ONCE + 2 * _REACH])
            held = held[:, :, _AT_ONCE:]
    left = held.shape[2] - _REACH
    if left:
        likely, whose = _told(layers, np.pad(held, ((0, 0), (0, 0), (0, _REACH + -left % _SLOWER))))
        yield likely[:, : 2 * left - frames % 2], whose[:, :, :left]


def all_pitch_starts(heard: Heard) -> Notes:
    """Return all of :func:`pitch_starts` of a stem or a mix."""
    pieces = [(likely.astype(np.float16), whose.astype(np.float16)) for likely, whose in pitch_starts(heard)]
    likely, whose = zip(*pieces, strict=True)
    return Notes(np.concatenate(likely, axis=1), np.concatenate(whose, axis=2))


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


def _around(pitches: int, pairs: int, apart: int = 1) -> tuple[tuple[int, int], ...]:
    """Return the places around a cell, so many semitones high and so many pairs of frames long."""
    return tuple(
        (pitch - pitches // 2, (pair - pairs // 2) * apart) for pitch in range(pitches) for pair in range(pairs)
    )


_PLACES = {
    "attack": _around(3, 7),
    "slower": tuple((0, pair) for pair in range(_SLOWER)),
    "slow_before": _around(1, 5),
    "slow_around": _around(1, 5, 3),
    "slow_far": _around(1, 5, 7),
    "quicker": _around(1, 1),
    "before": _around(1, 9, 2),
    "told": _around(3, 5),
    "whose": _around(3, 5),
}
_LINED = ("partials", "slow_partials", "slow_others", "others")


@cache
def _layers(name: str) -> Mapping[str, _Layer]:
    """Return the layers of a network by name."""
    with resources.files("partsong.lineup").joinpath(f"{name}.npz").open("rb") as file, np.load(file) as kept:
        return {layer: _layer(layer, kept[layer], kept[f"{layer}_bias"])
                for layer in (*_PLACES, *_LINED) if layer in kept.files}  # fmt: skip


def _layer(name: str, weights: Floats, bias: Floats) -> _Layer:
    """Return a layer of its weights as they are kept, (rows out, all that is seen)."""
    if name in _LINED:  # one block of rows after the other
        places = tuple((above, 0) for above in _ABOVE)
        matrices = weights.reshape(len(weights), len(places), -1).transpose(1, 0, 2)
    else:
        places = _PLACES[name]
        matrices = weights.reshape(len(weights), -1, len(places)).transpose(2, 0, 1)
    return _Layer(places, np.ascontiguousarray(matrices), bias)


def _told(layers: Mapping[str, _Layer], levels: Floats) -> tuple[Floats, Floats]:
    """Return what is told of levels (8, pitches, n + 216), n whole steps of the slow layers, but for their ends."""
    heard = _lined(layers["partials"], _lined(layers["attack"], levels))
    slow = _slowed(layers["slower"], heard)
    for name in ("slow_partials", "slow_before", "slow_others", "slow_around", "slow_far"):
        slow += _lined(layers[name], slow)
    back = _lined(layers["quicker"], slow, bent=False).reshape(_SLOWER, len(heard), PITCHES, -1)
    heard += np.moveaxis(back, 0, 3).reshape(heard.shape)
    heard += _lined(layers["before"], heard)
    heard += _lined(layers["others"], heard)
    heard = heard[:, :, _REACH - 2 : 2 - _REACH]  # the last layers look two pairs further
    told = _lined(layers["told"], heard, bent=False)[:, :, 2:-2]
    likely = np.asarray(1 / (1 + np.exp(-np.moveaxis(told, 0, 2).reshape(PITCHES, -1))), np.float32)
    if "whose" not in layers:
        return likely, np.zeros((0, *told.shape[1:]), np.float32)
    return likely, _lined(layers["whose"], heard, bent=False)[:, :, 2:-2]


def _lined(layer: _Layer, rows: Floats, *, bent: bool = True) -> Floats:
    """Return a layer's rows (rows out, pitches, pairs) of (rows in, pitches, pairs): silence lies around them.

    ``bent`` says that what is below zero counts as zero.
    """
    count, _, pairs = rows.shape
    low, high = (max(0, *(way * above for above, _ in layer.places)) for way in (-1, 1))
    early, late = (max(0, *(way * later for _, later in layer.places)) for way in (-1, 1))
    padded = np.pad(rows, ((0, 0), (low, high), (early, late)))
    out = np.repeat(layer.bias[:, None], PITCHES * pairs, axis=1)
    for (above, later), matrix in zip(layer.places, layer.matrices, strict=True):
        seen = padded[:, low + above : low + above + PITCHES, early + later : early + later + pairs]
        out += matrix @ seen.reshape(count, -1)
    return np.maximum(out, 0, out=out).reshape(-1, PITCHES, pairs) if bent else out.reshape(-1, PITCHES, pairs)


def _slowed(layer: _Layer, rows: Floats) -> Floats:
    """Return a layer's rows of every fourth pair and the three after it."""
    out = layer.bias[:, None]
    for (_, later), matrix in zip(layer.places, layer.matrices, strict=True):
        out = out + matrix @ rows[:, :, later::_SLOWER].reshape(len(rows), -1)
    return np.maximum(out, 0).reshape(-1, PITCHES, rows.shape[2] // _SLOWER)
