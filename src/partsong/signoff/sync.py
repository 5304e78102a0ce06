"""Is the sound of a master where the song has it? Lengths compared, and the offset measured by correlation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.signoff.checks import Check, held
from partsong.timebase import Rate

SEARCHED_S = 1.0
STRETCH_S = 4.0
LIKENESS_NEEDED = 0.9
LOSSY_LIMIT_S = Fraction(1, 1000)
"""Far inside what EBU R 37 (2007) allows one stage of a chain: 5 ms early, 15 ms late."""


@dataclass(frozen=True, slots=True)
class Offset:
    """Where one stretch of the master's sound lies against the song.

    ``late_samples`` > 0: the master's sound comes late. ``likeness`` is the correlation coefficient there (1: the same
    wave, -1: the same wave upside down).
    """

    at_s: float
    late_samples: int
    likeness: float


def offset_of(
    song: NDArray[np.float32], heard: NDArray[np.float32], *, rate_hz: int, searched_s: float = SEARCHED_S
) -> tuple[int, float]:
    """Find how many samples later a stretch of song appears in what is heard.

    Parameters
    ----------
    song : array, shape (n,)
        A stretch of the song, one channel.
    heard : array, shape (n + 2 * searched,)
        The same stretch of the master with ``searched_s`` more on either side (zeros where there is none).
    rate_hz : int
        Samples a second of both.
    searched_s : float
        How far to search to either side.

    Returns
    -------
    (int, float)
        The offset in samples, positive when the master is late, and the correlation coefficient there.

    Raises
    ------
    InvalidInput
        If the lengths do not fit or the stretch is silent.
    """
    reach = round(searched_s * rate_hz)
    if heard.shape != (len(song) + 2 * reach,):
        raise InvalidInput(f"{len(heard)} samples do not hold {len(song)} with {reach} on either side.")
    wanted = song.astype(np.float64)
    energy = float(wanted @ wanted)
    if energy == 0:
        raise InvalidInput("The stretch of the song is silent; its place cannot be measured.")
    size = 1 << (len(heard) + len(song)).bit_length()
    spectrum = np.fft.rfft(heard, size) * np.conj(np.fft.rfft(wanted, size))
    products = np.fft.irfft(spectrum, size)[: 2 * reach + 1]
    squares = np.concatenate([[0.0], np.cumsum(heard.astype(np.float64) ** 2)])
    energies = squares[len(song) :] - squares[: -len(song)]
    # Under a millionth of the song's energy there is nothing there to be alike.
    likeness = products / np.sqrt(energy * np.maximum(energies, 1e-6 * energy))
    best = int(np.abs(likeness).argmax())
    return best - reach, float(np.clip(likeness[best], -1, 1))


def offsets(song: NDArray[np.float32], heard: NDArray[np.float32], *, rate_hz: int) -> tuple[Offset, ...]:
    """Measure the offset at the beginning, in the middle and at the end.

    Parameters
    ----------
    song, heard : array, shape (samples, channels)
        The song and the sound of the master. Channels are averaged.
    rate_hz : int
        Samples a second of both.

    Returns
    -------
    tuple of Offset
        Up to three; each third of the song is measured where it is loudest. Silent thirds are left out.
    """
    ours, theirs = (np.asarray(sound, np.float32).mean(axis=1) for sound in (song, heard))
    length = min(round(STRETCH_S * rate_hz), len(ours) // 3)
    if length < rate_hz // 10:
        raise InvalidInput("The song is too short to measure the offset of its sound. It needs 0.3 s or more.")
    reach = round(SEARCHED_S * rate_hz)
    padded = np.pad(theirs, (reach, reach + max(0, len(ours) - len(theirs))))
    found = []
    for third in range(3):
        first, last = third * len(ours) // 3, (third + 1) * len(ours) // 3 - length
        start = _loudest(ours, first, max(first, last), length)
        stretch = ours[start : start + length]
        if not stretch.any():
            continue
        late, likeness = offset_of(stretch, padded[start : start + length + 2 * reach], rate_hz=rate_hz)
        found.append(Offset(start / rate_hz, late, likeness))
    return tuple(found)


def judge_offsets(found: Sequence[Offset], *, rate_hz: int, lossless: bool) -> Check:
    """Hold the offsets against none for uncompressed sound, a millisecond for compressed."""
    if not found:
        return Check("Sync", "The song is silent: where its sound lies cannot be measured.", "", "", "", "stated")
    worst = max(found, key=lambda offset: (abs(offset.late_samples), -abs(offset.likeness)))
    least = min(offset.likeness for offset in found)
    limit = 0 if lossless else int(LOSSY_LIMIT_S * rate_hz)
    in_place = abs(worst.late_samples) <= limit
    ms = abs(worst.late_samples) / rate_hz * 1000
    if least <= -LIKENESS_NEEDED:
        sentence = "The sound of the master is the song's with its polarity turned over. Make the master again."
    elif least < LIKENESS_NEEDED:
        sentence = (
            f"The sound of the master is not the song's: the least alike of {len(found)} stretches agrees by "
            f"{least:.2f}. See whether the right mix was used and nothing was added."
        )
    elif in_place and worst.late_samples == 0:
        sentence = f"Measured again in the master, the sound lies on the song to the sample, at {_places(found)}."
    else:
        side = "late" if worst.late_samples > 0 else "early"
        sentence = f"Measured again in the master, the sound is {ms:.2f} ms {side} at {worst.at_s:.1f} s."
        sentence += "" if in_place else " Make the master again; do not send this one."
    return Check(
        "Sync",
        sentence,
        f"{_signed(worst.late_samples)} samples, likeness {least:.4f}",
        "0 samples" if lossless else f"{limit} samples ({float(LOSSY_LIMIT_S) * 1000:g} ms)",
        "ours; EBU R 37 (2007) allows a stage 5 ms early, 15 ms late",
        held(in_place and least >= LIKENESS_NEEDED),
    )


def judge_lengths(picture_s: Fraction, sound_s: Fraction, rate: Rate) -> Check:
    """Hold the difference of picture and sound against one frame."""
    away = sound_s - picture_s
    passes = abs(away) <= rate.frame_s
    ms = float(away) * 1000
    longer = "as long as the picture" if away == 0 else f"{abs(ms):.1f} ms {'longer' if away > 0 else 'shorter'}"
    return Check(
        "Sync",
        f"The sound is {longer}{'' if away == 0 else ' than the picture'}.",
        f"picture {float(picture_s):.3f} s, sound {float(sound_s):.3f} s",
        f"within a frame ({float(rate.frame_s) * 1000:.1f} ms)",
        "common practice, no source: a song rarely ends on a frame",
        held(passes),
    )


def _loudest(sound: NDArray[np.float32], first: int, last: int, length: int) -> int:
    """Return the start between first and last (in steps of a quarter) whose stretch holds the most energy."""
    starts = range(first, last + 1, max(1, length // 4))
    return max(starts, key=lambda start: float(np.square(sound[start : start + length], dtype=np.float64).sum()))


def _places(found: Sequence[Offset]) -> str:
    return ", ".join(f"{offset.at_s:.1f} s" for offset in found)


def _signed(number: int) -> str:
    return f"{number:+d}" if number else "0"
