"""What a clip sounds like: envelopes to find it by, and samples to measure it by.

A clip is heard once, in blocks, at 16 kHz. Out of it come, for each *voice* (one channel, or several that
carry the same sound):

* **onsets**: how much louder each of twenty bands got, 200 times a second; finds anything that is struck or plucked;
* **tones**: how the level of each semitone moves, 50 times a second; finds soft attacks;
* **peaks**: the highest sample of each fiftieth of a second, for drawing.

**Conventions.** Frame ``i`` of an envelope is centred on time ``i / rate`` of the clip. All levels are measured
against the clip's own noise floor, so gain does not matter; samples that are not numbers count as silence.

**Memory.** The noise floor is known only when all was heard, and a camera may run for hours. So levels are handed on as
they come and given back by the minute, and an envelope may be mapped from a file, of which :func:`frames` reads what
is asked for. What stays for a whole clip is its peaks: 200 bytes a second.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from partsong.errors import InvalidInput

Floats = NDArray[np.float32]
Halves = NDArray[np.floating]
"""Envelopes are kept in half precision: three digits of a level that is known to one, in half the memory."""

Levels = NDArray[np.int16]
"""Levels in bands, (frames, bands), in steps of a 200th of a decibel from -160 dB up."""

RATE_HZ = 16000
ONSET_RATE_HZ = 200
TONE_RATE_HZ = 50
ONSET_BANDS = 20
TONE_BANDS = 60

VERSION = 3
"""Raised whenever the envelopes change, so that those of older versions in the cache are not used."""

SILENT_DB = -90.0
"""Below this a clip holds nothing but the last bits of its converter; 16-bit steps lie at -96 dB."""

_ONSET_WINDOW, _ONSET_HOP = 512, RATE_HZ // ONSET_RATE_HZ
_TONE_WINDOW, _TONE_HOP = 4096, RATE_HZ // TONE_RATE_HZ
_LOWEST_TONE_HZ = 110.0  # below it, semitones lie closer than the window can tell apart
_SAME_SOUND = 0.5  # channels that correlate this well are one voice
_MOST_VOICES = 2
_STEPS_A_DB = 200
_LOWEST, _STEPS = -160 * _STEPS_A_DB, 1 << 16
_PIECE_S = 60
_LIMIT = 1000.0  # keeps float files with absurd values inside half precision


@dataclass(frozen=True, slots=True)
class Envelopes:
    """The envelopes of one voice.

    ``onsets`` is (20, frames) at 200 Hz, ``tones`` (60, frames) at 50 Hz, ``peaks`` (frames,) at 50 Hz between
    0 and 1 for sound within full scale. ``level_db`` is the level of its louder moments, in dB below full scale.
    """

    onsets: Halves
    tones: Halves
    peaks: Floats
    level_db: float

    @property
    def silent(self) -> bool:
        """Whether there is nothing to be heard at all."""
        return self.level_db < SILENT_DB

    def part(self, first: int, stop: int) -> Envelopes:
        """Return the part between two onset frames, in memory; whole tone frames, and no peaks."""
        step = ONSET_RATE_HZ // TONE_RATE_HZ
        return replace(
            self,
            onsets=frames(self.onsets, first, stop),
            tones=frames(self.tones, first // step, stop // step),
            peaks=np.zeros(0, np.float32),
        )


@dataclass(frozen=True, slots=True)
class Heard:
    """One clip as heard: samples (n, channels) at 16 kHz, weights (voices, channels), and each voice's envelopes.

    The samples may be mapped from a file; only the windows asked for are read.
    """

    samples: NDArray[np.floating]
    weights: Floats
    voices: tuple[Envelopes, ...]

    @property
    def length_s(self) -> float:
        """The length of the sound in seconds."""
        return len(self.samples) / RATE_HZ

    def window(self, voice: int, start: int, length: int) -> Floats:
        """Return ``length`` samples of a voice from sample ``start`` on; silence outside the clip."""
        out = np.zeros(length, np.float32)
        first, stop = max(start, 0), min(start + length, len(self.samples))
        if first < stop:
            out[first - start : stop - start] = stretch(self.samples, first, stop) @ self.weights[voice]
        return out


def hear(sound: NDArray[np.floating]) -> Heard:
    """Hear a sound that is already in memory, (n,) or (n, channels) at 16 kHz.

    Raises
    ------
    InvalidInput
        If the array is empty or has another shape.
    """
    samples = np.asarray(sound)
    samples = samples[:, None] if samples.ndim == 1 else samples
    if samples.ndim != 2 or 0 in samples.shape:
        raise InvalidInput("There is no sound to hear: give at least one sample of at least one channel.")
    moments = Moments(samples.shape[1])
    clean = moments.add(samples)
    weights = choose_voices(moments)
    return Heard(clean, weights, tuple(envelopes(mixed_blocks(clean, row)) for row in weights))


def store_samples(blocks: Iterable[NDArray[np.floating]], file: BinaryIO) -> Moments:
    """Write blocks of (n, channels) at 16 kHz to an open file as raw half-precision numbers, and sum them up.

    Half precision keeps 11 bits of any level down to -84 dB: more than the comparison uses, in half the room.
    """
    moments: Moments | None = None
    for block in blocks:
        moments = moments or Moments(block.shape[1])
        file.write(np.ascontiguousarray(moments.add(block), "<f2").tobytes())
    if moments is None or moments.count == 0:
        raise InvalidInput("There is no sound to hear: the sound track is empty.")
    return moments


class Moments:
    """Sums of the channels and of their products: enough to tell which channels carry the same sound."""

    def __init__(self, channels: int) -> None:
        self.count = 0
        self._sum = np.zeros(channels)
        self._products = np.zeros((channels, channels))

    def add(self, block: NDArray[np.floating]) -> Floats:
        """Count a block (n, channels) in, and return it with everything that is not a number set to zero."""
        clean = np.nan_to_num(np.asarray(block, np.float32), nan=0.0, posinf=_LIMIT, neginf=-_LIMIT)
        np.clip(clean, -_LIMIT, _LIMIT, out=clean)
        self.count += len(clean)
        self._sum += clean.sum(axis=0, dtype=np.float64)
        self._products += clean.T @ clean  # a block's own sum in single precision is exact enough to tell likeness
        return clean

    @property
    def covariance(self) -> NDArray[np.float64]:
        """The covariance of the channels, so that a constant offset counts for nothing."""
        mean = self._sum / max(self.count, 1)
        return self._products / max(self.count, 1) - np.outer(mean, mean)


def choose_voices(moments: Moments) -> Floats:
    """Return weights (voices, channels): up to two voices to listen to, the louder first.

    Channels that carry the same sound are averaged, with the sign turned where one is upside down; a channel
    more than 50 dB below the loudest is dead; the others stand alone, since one may hold a test tone or timecode.
    """
    covariance = moments.covariance
    power = np.maximum(np.diag(covariance), 0.0)
    voices: list[Floats] = []
    left = [int(channel) for channel in np.argsort(-power, kind="stable") if power[channel] > 1e-5 * power.max()]
    while left and len(voices) < _MOST_VOICES:
        lead = left[0]
        likeness = covariance[lead] / np.sqrt(power[lead] * np.maximum(power, 1e-30))
        same = [channel for channel in left if abs(likeness[channel]) >= _SAME_SOUND]
        row = np.zeros(len(power), np.float32)
        row[same] = np.sign(likeness[same]) / len(same)
        voices.append(row)
        left = [channel for channel in left if channel not in same]
    if not voices:  # silence: the plain mean, whose level will say so
        voices.append(np.full(len(power), 1 / len(power), np.float32))
    return np.stack(voices)


def stretch(samples: NDArray[np.floating], first: int, stop: int) -> Floats:
    """Return samples ``first`` to ``stop`` of (n, channels).

    Of a mapped file they are read: pages that were once touched would stay in memory for as long as the map does.
    """
    if isinstance(samples, np.memmap) and samples.filename is not None:
        channels, stop = samples.shape[1], min(stop, len(samples))
        offset = samples.offset + first * channels * samples.itemsize
        read = np.fromfile(samples.filename, samples.dtype, (stop - first) * channels, offset=offset)
        return read.reshape(-1, channels).astype(np.float32)
    return np.asarray(samples[first:stop], np.float32)


def mixed_blocks(samples: NDArray[np.floating], weights: Floats, block: int = 1 << 17) -> Iterator[Floats]:
    """Yield one voice of (n, channels) samples in blocks."""
    for start in range(0, len(samples), block):
        yield stretch(samples, start, start + block) @ weights


def frames(envelope: Halves, first: int, stop: int) -> Halves:
    """Return frames ``first`` to ``stop`` of an envelope (bands, frames).

    Of a mapped file they are copied through a map of their own, for the same reason as in :func:`stretch`.
    """
    if isinstance(envelope, np.memmap) and envelope.filename is not None:
        own = np.memmap(envelope.filename, envelope.dtype, "r", offset=envelope.offset, shape=envelope.shape)
        return np.array(own[:, first:stop])
    return envelope[:, first:stop]


def envelopes(blocks: Iterable[Floats]) -> Envelopes:
    """Compute the envelopes of one voice from its samples in blocks, whatever their lengths, in memory."""
    onset_levels: list[Levels] = []
    tone_levels: list[Levels] = []
    heard = listened(blocks, onset_levels.append, tone_levels.append)
    bands, tones = np.concatenate(onset_levels), np.concatenate(tone_levels)
    return Envelopes(
        onsets=np.concatenate(list(onset_pieces(lambda first, stop: bands[first:stop], heard)), axis=1),
        tones=np.concatenate(list(tone_pieces(lambda first, stop: tones[first:stop], heard)), axis=1),
        peaks=heard.peaks,
        level_db=heard.level_db,
    )


@dataclass(frozen=True, slots=True)
class Listened:
    """What is known of a voice once all of it was heard.

    ``onset_frames`` and ``tone_frames`` count its levels, the floors are the power below which each band is noise, and
    ``peaks`` and ``level_db`` are those of :class:`Envelopes`.
    """

    onset_frames: int
    tone_frames: int
    onset_floors: Floats
    tone_floors: Floats
    peaks: Floats
    level_db: float


def listened(
    blocks: Iterable[Floats], keep_onsets: Callable[[Levels], object], keep_tones: Callable[[Levels], object]
) -> Listened:
    """Hear one voice in blocks, and hand on its levels in bands as they come.

    References
    ----------
    Schroeder, Atal and Hall (1979), for the width of the bands: 650 sinh(z / 7) Hz at z Bark (from memory).
    """
    onset = _Frames(_ONSET_WINDOW, _ONSET_HOP, _onset_pooling(), keep_onsets)
    tone = _Frames(_TONE_WINDOW, _TONE_HOP, _tone_pooling(), keep_tones)
    peaks: list[Floats] = []
    rest = np.zeros(0, np.float32)
    for block in blocks:
        onset.add(block)
        tone.add(block)
        rest = np.concatenate([rest, np.abs(block)])
        whole = len(rest) // _TONE_HOP * _TONE_HOP
        peaks.append(rest[:whole].reshape(-1, _TONE_HOP).max(axis=1))
        rest = rest[whole:]
    if len(rest):
        peaks.append(rest.max(keepdims=True))
    onset.finish()
    tone.finish()
    return Listened(
        onset_frames=onset.count,
        tone_frames=tone.count,
        onset_floors=onset.floors(),
        tone_floors=tone.floors(),
        peaks=np.concatenate(peaks) if peaks else np.zeros(0, np.float32),
        level_db=onset.level_db(),
    )


def onset_pieces(levels: Callable[[int, int], Levels], heard: Listened) -> Iterator[Halves]:
    """Yield the onsets (20, frames) of a voice by the minute, given its levels between any two frames."""

    def risen(level: Floats) -> Floats:
        out = np.zeros_like(level)
        out[2:] = level[2:] - level[:-2]  # over 10 ms: one frame alone is mostly noise
        # At most 3, about 13 dB: one slammed door must not outweigh a bar of notes.
        return np.asarray(np.clip(out, 0.0, 3.0), np.float32)

    return _pieces(levels, heard.onset_frames, heard.onset_floors, ONSET_RATE_HZ, risen)


def tone_pieces(levels: Callable[[int, int], Levels], heard: Listened) -> Iterator[Halves]:
    """Yield how the semitones (60, frames) of a voice move, by the minute."""
    return _pieces(levels, heard.tone_frames, heard.tone_floors, TONE_RATE_HZ, lambda level: level)


def _pieces(
    levels: Callable[[int, int], Levels], count: int, floors: Floats, rate_hz: int, move: Callable[[Floats], Floats]
) -> Iterator[Halves]:
    size, around = _PIECE_S * rate_hz, rate_hz // 2 + 2  # half a second of the local mean, and what a rise looks back
    for first in range(0, count, size):
        start = max(first - around, 0)
        known = levels(start, min(first + size + around, count))
        out = np.empty((len(floors), min(size, count - first)), np.float16)
        for number, floor in enumerate(floors):
            moved = _less_local_mean(move(np.log1p(_power(known[:, number]) / floor)), rate_hz)
            out[number] = moved[first - start :][: out.shape[1]]
        yield out


def _power(levels: NDArray[np.integer]) -> Floats:
    return np.asarray(np.power(np.float32(10), levels.astype(np.float32) / (10 * _STEPS_A_DB)), np.float32)


def _less_local_mean(envelope: Floats, rate_hz: int) -> Floats:
    half = rate_hz // 2
    sums = np.concatenate([[0.0], np.cumsum(envelope, dtype=np.float64)])
    at = np.arange(len(envelope))
    first, stop = np.maximum(at - half, 0), np.minimum(at + half + 1, len(envelope))
    return np.asarray(envelope - (sums[stop] - sums[first]) / (stop - first), np.float32)


class _Frames:
    """Levels in bands over centred windows of a stream.

    It keeps a window's worth of samples, and how often each level was; the last column counted is the sum of all bands.
    """

    def __init__(self, window: int, hop: int, pooling: Floats, keep: Callable[[Levels], object]) -> None:
        self._window, self._hop, self._pooling, self._keep = window, hop, pooling, keep
        # Periodic Hann, scaled so that the bands of a full-scale sine sum to about its power of one half.
        self._shape = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(window) / window)).astype(np.float32)
        self._shape *= np.float32(np.sqrt(2 / (window * np.sum(self._shape.astype(np.float64) ** 2))))
        self._rest = np.zeros(window // 2, np.float32)
        self._columns = _STEPS * np.arange(pooling.shape[1] + 1) - _LOWEST
        self._often = np.zeros(_STEPS * len(self._columns), np.uint32)
        self.count = 0

    def add(self, block: Floats) -> None:
        samples = np.concatenate([self._rest, block])
        count = (len(samples) - self._window) // self._hop + 1
        if count <= 0:
            self._rest = samples
            return
        frames = np.lib.stride_tricks.sliding_window_view(samples, self._window)[:: self._hop][:count]
        for first in range(0, count, 512):  # small enough to stay in the processor's cache
            spectrum = fft.rfft(frames[first : first + 512] * self._shape, axis=1)
            power = spectrum.real**2 + spectrum.imag**2
            pooled = power @ self._pooling
            with_sum = np.concatenate([pooled, pooled.sum(axis=1, keepdims=True)], axis=1)
            steps = 10 * _STEPS_A_DB * np.log10(np.maximum(with_sum, 1e-16))
            levels = np.rint(np.minimum(steps, 32767)).astype(np.int16)
            np.add.at(self._often, (levels + self._columns).ravel(), np.uint32(1))  # a plain 1 is thirty times slower
            self._keep(levels[:, :-1])
        self._rest = samples[count * self._hop :]
        self.count += count

    def finish(self) -> None:
        """Take in the frames whose windows hang over the end."""
        self.add(np.zeros(self._window // 2, np.float32))

    def floors(self) -> Floats:
        """Return the power of each band's floor.

        It lies where the band is for a third of the time, but never more than 50 dB below its loud moments: a digital
        stem is silent between its notes, and no room is.
        """
        quiet, loud = (np.array([self._percentile(band, share) for band in range(len(self._columns) - 1)])
                       for share in (0.30, 0.99))  # fmt: skip
        return np.asarray(np.maximum(np.maximum(2 * quiet, 1e-5 * loud), 1e-14), np.float32)

    def level_db(self) -> float:
        """Return the level of the louder moments in dB, to a 200th."""
        return 10 * float(np.log10(max(self._percentile(-1, 0.95), 1e-30)))

    def _percentile(self, column: int, share: float) -> float:
        """Return a percentile of a column's power, on the straight line between its two neighbours."""
        up_to = np.cumsum(self._often.reshape(-1, _STEPS)[column], dtype=np.int64)
        at = share * (self.count - 1)
        below = int(at)
        near = np.searchsorted(up_to, [below, min(below + 1, self.count - 1)], "right")
        low, high = (float(power) for power in _power(near + _LOWEST))
        return low + (high - low) * (at - below)


def _onset_pooling() -> Floats:
    edges_hz = 650 * np.sinh((np.arange(ONSET_BANDS + 1) + 0.5) / 7)  # one Bark each, 46 Hz to 6.1 kHz
    bins_hz = np.arange(_ONSET_WINDOW // 2 + 1) * RATE_HZ / _ONSET_WINDOW
    band = np.searchsorted(edges_hz, bins_hz, side="right") - 1
    return np.asarray(band[:, None] == np.arange(ONSET_BANDS), np.float32)


def _tone_pooling() -> Floats:
    bins_hz = np.arange(_TONE_WINDOW // 2 + 1) * RATE_HZ / _TONE_WINDOW
    with np.errstate(divide="ignore"):
        semitone = 12 * np.log2(bins_hz / _LOWEST_TONE_HZ)
    return (np.abs(semitone[:, None] - np.arange(TONE_BANDS)) < 0.5).astype(np.float32)
