"""The cut as a score: bars with the shots that play in them, and edits of one shot."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from partsong.cut import edits
from partsong.cut.steps import propose_cut
from partsong.cut.table import place_text
from partsong.desk.pictures import picture, version
from partsong.desk.routes import Done, Edit, Route, Wire, changed, frame_in
from partsong.desk.session import Desk
from partsong.errors import InvalidInput
from partsong.film.coverage import placed_takes, song_frames
from partsong.film.records import WIDE, Film
from partsong.film.tempo import Position, beats_in_bar, position_at, time_of
from partsong.signoff.report import BARS_A_LINE, score_of
from partsong.signoff.steps import flashing_of
from partsong.timebase import clock

_ZERO = Fraction(0)
_STRETCH_S = Fraction(4)  # of a song without a tempo map, as the report lays it out

Frame = Annotated[int, Field(ge=0, le=10**8)]


class SpanTold(Wire):
    """A stretch of one shot within a bar: which shot, how much of the bar, and its picture."""

    shot: int
    source: str
    share: float
    opens: bool
    picture: str


class BarTold(Wire):
    """A bar: its label, the section that begins with it, its frames, and where its beats fall."""

    label: str
    section: str
    first: int
    stop: int
    beats: tuple[int, ...]
    spans: tuple[SpanTold, ...]


class ShotTold(Wire):
    """A shot: its source, frames, place in the score, and start and length in words."""

    source: str
    start: int
    end: int
    place: str
    words: str


class SourceTold(Wire):
    """What can be shown, and from which frame to before which."""

    source: str
    first: int
    stop: int


class CutScore(Wire):
    """The cut, wrapped ``bars_a_line`` bars a line."""

    revision: int
    bars_a_line: int
    rate: float
    frames: int
    bars: tuple[BarTold, ...]
    shots: tuple[ShotTold, ...]
    sources: tuple[SourceTold, ...]
    in_the_way: str


class Flashing(Wire):
    """Whether the cut may be played without a warning, and why in a sentence."""

    state: Literal["safe", "fails", "unknown"]
    sentence: str


class At(Edit):
    """A frame of the film."""

    frame: Frame


class Replace(Edit):
    """What the shot that begins at ``frame`` is to show."""

    frame: Frame
    source: str


class Move(Edit):
    """Where the shot that begins at ``frame`` is to begin."""

    frame: Frame
    to: Frame


class Propose(Edit):
    """A proposal: the same seed gives the same cut."""

    seed: Annotated[int, Field(ge=0, le=10**6)] = 0


def cut(desk: Desk) -> CutScore:
    """Return the cut of the film as it is now."""
    head = desk.head()
    film = head.film
    if film.song is None or film.rate is None:
        raise InvalidInput("The film needs a song and a stage take before it can be cut. See: partsong shoot add")
    total, frame_s = song_frames(film), film.rate.frame_s
    placed = [(one.take.id, one.frames()) for one in placed_takes(film)]
    roaming = {take.id for take in film.takes if take.kind == "roaming"}
    placed.sort(key=lambda one: one[0] not in roaming)
    return CutScore(
        revision=head.revision.number,
        bars_a_line=BARS_A_LINE,
        rate=float(film.rate.exact),
        frames=total,
        bars=_bars(film, total),
        shots=tuple(
            ShotTold(
                source=shot.source,
                start=shot.start,
                end=shot.end,
                place=place_text(film, shot.start),
                words=f"{clock(shot.start * frame_s)}, {float((shot.end - shot.start) * frame_s):.2f} s",
            )
            for shot in film.cut
        ),
        sources=(
            SourceTold(source=WIDE, first=0, stop=total),
            *(SourceTold(source=take, first=max(0, span.start), stop=min(total, span.stop)) for take, span in placed),
        ),
        in_the_way="" if film.cut else "There is no cut yet.",
    )


def _bars(film: Film, total: int) -> tuple[BarTold, ...]:
    assert film.rate is not None
    assert film.song is not None
    takes = {one.take.id: one for one in placed_takes(film)}
    told, at, of = [], 0, version(film)
    for cell in score_of(film):
        spans = []
        for span in cell.spans:
            number = next(n for n, shot in enumerate(film.cut) if shot.start <= span.frame < shot.end)
            own = span.frame if span.source == WIDE else takes[span.source].source_frame(span.frame)
            spans.append(
                SpanTold(
                    shot=number,
                    source=span.source,
                    share=span.share,
                    opens=span.opens,
                    picture=f"/media/pictures/{span.source}/{own}{of}",
                )
            )
        first, stop, beats = _frames_of(film, cell.label, at, total)
        at = stop
        told.append(
            BarTold(label=cell.label, section=cell.section, first=first, stop=stop, beats=beats, spans=tuple(spans))
        )
    return tuple(told)


def _frames_of(film: Film, label: str, at: int, total: int) -> tuple[int, int, tuple[int, ...]]:
    """Return the first frame of a bar, the one after its last, and where its beats fall."""
    assert film.song is not None
    assert film.rate is not None
    tempo, rate = film.song.tempo, film.rate
    if not label.lstrip("-").isdigit():
        if tempo:  # a pick-up: up to the first bar line
            stop = rate.frames_at(time_of(tempo, Position(position_at(tempo, _ZERO).bar + 1, _ZERO)))
        else:
            stop = at + rate.frames_at(_STRETCH_S)
        return at, min(stop, total), (at,)
    bar = int(label)
    beats = [rate.frames_at(time_of(tempo, Position(bar, _ZERO + beat))) for beat in range(beats_in_bar(tempo, bar))]
    stop = rate.frames_at(time_of(tempo, Position(bar + 1, _ZERO)))
    return beats[0], min(stop, total), tuple(beat for beat in beats if beat < total)


def flashing(desk: Desk) -> Flashing:
    """Return what is known of flashing in the cut; nothing is measured by asking."""
    state, sentence = flashing_of(desk.folder, desk.head().film)
    return Flashing(state=state, sentence=sentence)


def _edit(desk: Desk, wish: Edit, sentence: str, edit: Callable[[Film], Film]) -> Done:
    return changed(desk, wish, lambda store: store.change(sentence, edit))


def split(desk: Desk, wish: At) -> Done:
    """Cut the shot that plays at a frame in two."""
    return _edit(desk, wish, f"Split the shot at {_place(desk, wish.frame)}", lambda f: edits.split(f, wish.frame))


def join(desk: Desk, wish: At) -> Done:
    """Take the shot that begins at a frame into the one before."""
    sentence = f"Joined the shot at {_place(desk, wish.frame)} to the one before"
    return _edit(desk, wish, sentence, lambda film: edits.joined(film, wish.frame))


def replace(desk: Desk, wish: Replace) -> Done:
    """Show another source in the shot that begins at a frame."""
    sentence = f"The shot at {_place(desk, wish.frame)} shows {wish.source}"
    return _edit(desk, wish, sentence, lambda film: edits.replaced(film, wish.frame, wish.source))


def move(desk: Desk, wish: Move) -> Done:
    """Let the shot that begins at a frame begin elsewhere."""
    sentence = f"Moved the beginning of the shot at {_place(desk, wish.frame)} to {_place(desk, wish.to)}"
    return _edit(desk, wish, sentence, lambda film: edits.moved(film, wish.frame, wish.to))


def propose(desk: Desk, wish: Propose) -> Done:
    """Put a proposed cut in the place of the film's."""
    return changed(desk, wish, lambda store: propose_cut(store, seed=wish.seed))


def shown(desk: Desk, source: str, frame: str) -> Path:
    """Return a small picture of a take's frame, or of the wide's."""
    return picture(desk.folder, desk.head().film, source, frame_in(frame))


def _place(desk: Desk, frame: int) -> str:
    film = desk.head().film
    return place_text(film, frame) if film.rate else f"@{frame}"


ROUTES = (
    Route("GET", "/api/cut", cut, CutScore, "The bars with the shots that play in them."),
    Route("GET", "/api/cut/flashing", flashing, Flashing, "Whether the cut flashes, as far as it was measured."),
    Route("POST", "/api/cut/split", split, Done, "Cut a shot in two.", At),
    Route("POST", "/api/cut/join", join, Done, "Take a shot into the one before.", At),
    Route("POST", "/api/cut/replace", replace, Done, "Show another source.", Replace),
    Route("POST", "/api/cut/move", move, Done, "Let a shot begin elsewhere.", Move),
    Route("POST", "/api/cut/propose", propose, Done, "Propose a cut.", Propose),
    Route("GET", "/media/pictures/{source}/{frame}", shown, "image/jpeg", "A small picture, through the look."),
)
