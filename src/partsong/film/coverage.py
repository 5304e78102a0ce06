"""Which frame of a take belongs to which frame of the song, and which song frames a take covers.

A placement says: the take's media time ``m`` (seconds from its first frame) is song time
``start + m * (1 + drift_ppm / 1e6)``. All of it is exact arithmetic, so that every part of the program picks the
same frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from partsong.errors import InvalidInput
from partsong.film.records import Film, Placement, Take
from partsong.timebase import Rate, round_half_up


@dataclass(frozen=True, slots=True)
class Retimed:
    """What drift does to a take's picture on the song.

    ``by_end_frames`` is how many of the take's frames its clock is out by its end, positive when the song runs ahead.
    At each song frame of ``twice`` the frame before is shown again; before each of ``left_out`` one is passed over.
    None where the take's frame rate is not the film's: frames are then chosen by the nearest moment all the time.
    """

    by_end_frames: float
    twice: tuple[int, ...] | None
    left_out: tuple[int, ...] | None


@dataclass(frozen=True)
class PlacedTake:
    """A take with its placement on a song shown at ``rate``; the one place that maps song frames to its own."""

    take: Take
    placement: Placement
    rate: Rate

    def media_s(self, song_s: Fraction) -> Fraction:
        """Return the take's media time at a song time, both in seconds; it may lie outside the take."""
        start = self.placement.start
        assert start is not None
        return (song_s - start.seconds) / (1 + Fraction(self.placement.drift_ppm) / 1_000_000)

    def source_frame(self, song_frame: int) -> int:
        """Return the number of the take's frame nearest to a song frame; it may lie outside the take."""
        slope, intercept, below = self._line
        return (slope * song_frame + intercept) // below

    @cached_property
    def _line(self) -> tuple[int, int, int]:
        """Whole numbers a, b and c: the take's frame nearest to song frame n is (a n + b) // c, exactly."""
        at, next_at = (self.media_s(n * self.rate.frame_s) * self.take.picture.rate.exact for n in (0, 1))
        slope, intercept = next_at - at, at + Fraction(1, 2)  # halves go upwards
        below = math.lcm(slope.denominator, intercept.denominator)
        return int(slope * below), int(intercept * below), below

    def frames(self) -> range:
        """Return the song frames (0 and later) at which the take has a picture."""
        start = self.placement.start
        assert start is not None
        stretch = 1 + Fraction(self.placement.drift_ppm) / 1_000_000
        picture = self.take.picture

        def nearest(media_s: Fraction) -> int:
            return round_half_up((start.seconds + media_s * stretch) * self.rate.exact)

        first = max(0, nearest(Fraction(0)) - 1)
        while self.source_frame(first) < 0:
            first += 1
        stop = max(first, nearest(picture.frames * picture.rate.frame_s) + 1)
        while stop > first and self.source_frame(stop - 1) >= picture.frames:
            stop -= 1
        return range(first, stop)

    def retimed(self) -> Retimed:
        """Return which song frames show a frame again, or pass one over, because the camera's clock drifts."""
        picture = self.take.picture
        by_end = self.placement.drift_ppm * 1e-6 * picture.frames
        if picture.rate != self.rate:
            return Retimed(by_end, None, None)
        steps = self._steps()
        twice = tuple(frame for frame in steps if self.source_frame(frame) == self.source_frame(frame - 1))
        return Retimed(by_end, twice, tuple(frame for frame in steps if frame not in twice))

    def early_s(self) -> tuple[Fraction, Fraction]:
        """Return by how much the picture shows what is yet to be heard, at the least and the most, in seconds.

        Frames are whole: each song frame shows the take's nearest one, which lies up to half of its length to either
        side. Negative where the picture shows what was heard before.
        """
        half = self.take.picture.rate.frame_s * (1 + Fraction(self.placement.drift_ppm) / 1_000_000) / 2
        frames = self.frames()
        if self.take.picture.rate != self.rate or not frames:
            return -half, half
        # Between two steps the picture runs away from the song evenly: the furthest points lie at the steps.
        steps = self._steps()
        told = [self._early_s(frame) for frame in {frames[0], frames[-1], *steps, *(frame - 1 for frame in steps)}]
        return min(told), max(told)

    def _early_s(self, song_frame: int) -> Fraction:
        start, picture = self.placement.start, self.take.picture
        assert start is not None
        stretch = 1 + Fraction(self.placement.drift_ppm) / 1_000_000
        shown_s = start.seconds + self.source_frame(song_frame) * picture.rate.frame_s * stretch
        return shown_s - song_frame * self.rate.frame_s

    def _steps(self) -> list[int]:
        """Return the song frames at which the take does not go on by exactly one frame; the rates must be equal."""
        frames = self.frames()
        found = []
        if frames:
            low, last = frames[0], frames[-1]

            def ahead(frame: int) -> int:
                return self.source_frame(frame) - frame

            while ahead(low) != ahead(last):  # it goes one way only, so every step can be halved in upon
                before, after = low, last
                while after - before > 1:
                    middle = (before + after) // 2
                    before, after = (middle, after) if ahead(middle) == ahead(low) else (before, middle)
                found.append(after)
                low = after
        return found


def placed_takes(film: Film) -> tuple[PlacedTake, ...]:
    """Return every take that has a start, in the film's order; those only asked about are left out.

    Raises
    ------
    InvalidInput
        If the film has no frame rate yet.
    """
    if film.rate is None:
        raise InvalidInput("The film has no frame rate yet. Add a take first: partsong shoot add FILM FOLDER")
    placed = []
    for take in film.takes:
        placement = film.placement_of(take.id)
        if placement is not None and placement.start is not None and placement.confidence in ("sure", "likely"):
            placed.append(PlacedTake(take, placement, film.rate))
    return tuple(placed)


NO_WIDE = (
    "No take is from the locked-off camera, so there is no wide to merge, and the cut goes from camera to camera. If "
    "one is: partsong shoot set FILM TAKE --kind stage --part PART"
)


def has_wide(film: Film) -> bool:
    """Say whether a film has takes to merge into the wide; a band filmed by several cameras at once has none."""
    return any(take.kind == "stage" for take in film.takes)


def song_frames(film: Film) -> int:
    """Return how many frames the song fills; the last one may be partly filled."""
    if film.song is None or film.rate is None:
        raise InvalidInput(
            "The film needs a song and a take first. See: partsong new --help, partsong shoot add --help"
        )
    return -((-film.song.length_s * film.rate.exact).__floor__())
