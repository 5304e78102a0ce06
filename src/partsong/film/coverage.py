"""Which frame of a take belongs to which frame of the song, and which song frames a take covers.

A placement says: the take's media time ``m`` (seconds from its first frame) is song time
``start + m * (1 + drift_ppm / 1e6)``. All of it is exact arithmetic, so that every part of the program picks the
same frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from partsong.errors import InvalidInput
from partsong.film.records import Film, Placement, Take
from partsong.timebase import Rate, round_half_up


@dataclass(frozen=True, slots=True)
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
        return self.take.picture.rate.frames_at(self.media_s(song_frame * self.rate.frame_s))

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


def placed_takes(film: Film) -> tuple[PlacedTake, ...]:
    """Return every take that has a start, in the film's order; those only asked about are left out.

    Raises
    ------
    InvalidInput
        If the film has no frame rate yet.
    """
    if film.rate is None:
        raise InvalidInput("The film has no frame rate yet. Add a stage take first: partsong shoot add FILM FOLDER")
    placed = []
    for take in film.takes:
        placement = film.placement_of(take.id)
        if placement is not None and placement.start is not None and placement.confidence in ("sure", "likely"):
            placed.append(PlacedTake(take, placement, film.rate))
    return tuple(placed)


def song_frames(film: Film) -> int:
    """Return how many frames the song fills; the last one may be partly filled."""
    if film.song is None or film.rate is None:
        raise InvalidInput("The film needs a song and a frame rate first. See: partsong new --help")
    return -((-film.song.length_s * film.rate.exact).__floor__())
