"""Which frames of a take to look at, so that a verdict costs seconds and says what it did not see. Pure."""

from __future__ import annotations

from dataclasses import dataclass

AFFORDED_PIXELS = 320_000_000
"""Decoded and looked at for one take: 38 frames of 3840 x 2160, six seconds of one processor from camera HEVC."""

MOST_SPREAD = 40
MOST_IN_RUNS = 72
LONGEST_RUN = 24
RUNS = 3


@dataclass(frozen=True, slots=True)
class Sampling:
    """``spread`` are frames over the whole take, ``runs`` stretches of frames that follow each other.

    ``whole`` says that every frame can be afforded, one after the other.
    """

    spread: tuple[int, ...]
    runs: tuple[range, ...]
    whole: bool

    def looks(self, frames: int) -> int:
        """Return at how many frames it has one look, of a take of so many, some of them twice."""
        return len(self.spread) + sum(len(run) for run in self.runs) + (frames if self.whole else 0)


def sampling(frames: int, width: int, height: int, keys: tuple[int, ...]) -> Sampling:
    """Choose what to look at.

    Parameters
    ----------
    frames : int
        Of the take.
    width, height : int
        Its size in pixels.
    keys : tuple of int
        The frames that can be decoded alone; runs begin on them.

    Examples
    --------
    >>> chosen = sampling(5760, 3840, 2160, tuple(range(0, 5760, 24)))
    >>> len(chosen.spread), [len(run) for run in chosen.runs]
    (19, [6, 6, 6])
    """
    afforded = max(16, AFFORDED_PIXELS // (width * height))
    in_runs = min(MOST_IN_RUNS, afforded // 2, frames)
    count = min(MOST_SPREAD, afforded - in_runs, frames)
    spread = tuple(sorted({(2 * n + 1) * frames // (2 * count) for n in range(count)}))
    length = max(1, min(LONGEST_RUN, in_runs // RUNS))
    starts = {_key_before(keys, max(0, (2 * n + 1) * frames // (2 * RUNS) - length // 2)) for n in range(RUNS)}
    runs: list[range] = []
    for start in sorted(starts):
        if not runs or start >= runs[-1].stop:
            runs.append(range(start, min(start + length, frames)))
    return Sampling(spread, tuple(runs), whole=frames + count + in_runs <= afforded)


def _key_before(keys: tuple[int, ...], frame: int) -> int:
    return max((key for key in keys if key <= frame), default=0)
