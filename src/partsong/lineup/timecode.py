"""Timecode of the playback, recorded on a sound channel of the camera: it says which moment of the song was played.

Only timecode that ran *with the song* can say that, and only once the label is known at which the song starts. A clock
that runs with the time of day looks the same on a channel, and so it is never taken for the song's by itself: takes are
performances of the same song at different times of day.

The signal comes by cable, so no arrival delay is in it: its line is the picture's.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from partsong.film.records import Confidence
from partsong.lineup.arrival import sound_start_s
from partsong.lineup.features import stretch
from partsong.lineup.line import Fit, Line, fit_line
from partsong.lineup.marks import AGREE_S, Mark
from partsong.media.ltc import Run, carries_ltc, read_ltc, runs
from partsong.timebase import timecode_to_frame

SURE_LABELS, LEAST_LABELS = 25, 10
"""That many labels in a row make a place sure, or say anything at all. By chance ten cannot: each of them has sixteen
bits of sync, a count that carries on, and its own place in time."""

MOST_DRIFT_PPM = 500.0
"""A playback that runs further off than this was not at the song's speed."""

_MOST_FITTED = 200
_BLOCK_S = 4  # whole steps of the look into the channel


@dataclass(frozen=True, slots=True)
class Carried:
    """Timecode found on a channel (counted from 1): its runs of labels, the longest first."""

    channel: int
    rate_hz: int
    runs: tuple[Run, ...]

    @property
    def told(self) -> str:
        """What runs there, in words."""
        first = self.runs[0]
        return f"timecode on channel {self.channel}, from {first.labels[0].word.label}"


def find_timecode(samples: NDArray[np.floating], rate_hz: int) -> Carried | None:
    """Look for timecode on every channel of a take's sound, shape (n, channels); the channel with most of it."""
    found = []
    for channel in range(samples.shape[1]):
        if any(carries_ltc(block, rate_hz) for block in _blocks(samples, channel, rate_hz)):
            labels = read_ltc(_blocks(samples, channel, rate_hz), rate_hz)
            long = [run for run in runs(labels) if len(run.labels) >= LEAST_LABELS and 2 * run.good > len(run.labels)]
            if long:
                found.append(Carried(channel + 1, rate_hz, tuple(sorted(long, key=lambda run: -len(run.labels)))))
    return max(found, key=lambda carried: len(carried.runs[0].labels), default=None)


def _blocks(samples: NDArray[np.floating], channel: int, rate_hz: int) -> Iterator[NDArray[np.floating]]:
    size = _BLOCK_S * rate_hz
    for start in range(0, len(samples), size):
        yield stretch(samples, start, start + size)[:, channel]


def mark_from(carried: Carried, song_label: str, *, song_s: float, length_s: float, delay_s: float) -> Mark | None:
    """Return what the timecode of a take says, given the label at which the song starts.

    Parameters
    ----------
    carried : Carried
        What the camera recorded.
    song_label : str
        The label of the song's first sample, counted as the timecode itself counts (drop-frame or not).
    song_s, length_s : float
        The lengths of the song and of the take.
    delay_s : float
        The arrival delay of the take: a mark gives the line of the *sound*.

    Returns
    -------
    Mark or None
        None where the timecode lies outside the song, or runs at another speed than the song.

    Raises
    ------
    InvalidInput
        If there is no such label at the timecode's rate.
    """
    told = [(run, _fit(run, carried.rate_hz, song_label)) for run in carried.runs]
    inside = [
        (run, fit)
        for run, fit in told
        if abs(fit.line.drift_ppm) <= MOST_DRIFT_PPM and -length_s < fit.line.start_s < song_s
    ]
    if not inside:
        return None
    run, fit = inside[0]
    others = [
        other.line
        for other_run, other in inside[1:]
        if len(other_run.labels) >= SURE_LABELS
        and abs(other.line.song_s(length_s / 2) - fit.line.song_s(length_s / 2)) > AGREE_S
    ]
    count = len(run.labels)
    confidence: Confidence = "ask" if others else "sure" if run.good >= SURE_LABELS else "likely"
    reason = f"{_capital(carried.told)}, says so: {run.good} of {count} labels in a row are whole"
    if others:
        reason = f"{_capital(carried.told)}, jumps: the song was played more than once in this take"
    lines = tuple(
        Line(sound_start_s(line.start_s, delay_s), line.drift_ppm) for line in dict.fromkeys((fit.line, *others))
    )
    return Mark("timecode", f"timecode on channel {carried.channel}", confidence, reason, lines, run.good, count,
                fit.spread_ms, exact=True)  # fmt: skip


def _fit(run: Run, rate_hz: int, song_label: str) -> Fit:
    rate, frames, samples = run.frames(rate_hz)
    zero = timecode_to_frame(song_label, rate, drop=run.labels[0].word.drop)
    chosen = np.unique(np.linspace(0, len(frames) - 1, _MOST_FITTED).round().astype(int))
    media_s = samples[chosen] / rate_hz
    return fit_line(media_s, (frames[chosen] - zero) * float(rate.frame_s) - media_s)


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
