"""The cut as a score: bars with the shots that play in them, and edits of one shot."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from partsong.cut import edits, effects
from partsong.cut.steps import add_effect, effect_rows, propose_cut, remove_effect
from partsong.cut.table import place_text, shown_text
from partsong.desk.pictures import picture, version
from partsong.desk.routes import Done, Edit, Route, Wire, changed, frame_in
from partsong.desk.session import Desk
from partsong.errors import InvalidInput
from partsong.film.coverage import has_wide, placed_takes, song_frames
from partsong.film.records import WIDE, Effect, Film, Panel, Side
from partsong.film.tempo import Position, beats_in_bar, position_at, time_of
from partsong.render.flashing import FLASHES_ALLOWED
from partsong.signoff.report import BARS_A_LINE, score_of
from partsong.signoff.steps import flashing_of
from partsong.timebase import clock

_ZERO = Fraction(0)
_STRETCH_S = Fraction(4)  # of a song without a tempo map, as the report lays it out

Frame = Annotated[int, Field(ge=0, le=10**8)]


class SpanTold(Wire):
    """A stretch of one shot within a bar: which shot, how much of the bar, and its pictures, in rows from the top.

    A picture is None where its take is not placed on the song any more.
    """

    shot: int
    source: str
    share: float
    opens: bool
    pictures: tuple[tuple[str | None, ...], ...]


class BarTold(Wire):
    """A bar: its label, the section that begins with it, its frames, and where its beats fall."""

    label: str
    section: str
    first: int
    stop: int
    beats: tuple[int, ...]
    spans: tuple[SpanTold, ...]


class ShotTold(Wire):
    """A shot: its source, its rows of panels where it has any, frames, place in the score, start and length in words.

    ``shows`` is all of what it shows, as a table writes it.
    """

    source: str
    shows: str
    panels: tuple[tuple[Panel, ...], ...]
    start: int
    end: int
    place: str
    words: str


class SourceTold(Wire):
    """What can be shown, and from which frame to before which."""

    source: str
    first: int
    stop: int


class EffectTold(Wire):
    """An effect: what it is, in words and as the film has it, and from where to where in the score."""

    number: int
    words: str
    place: str
    until: str
    effect: Effect


class Meter(Wire):
    """The most flashes that effects make in a second by themselves, how many are allowed, and that in a sentence."""

    flashes: float
    allowed: int
    fails: bool
    sentence: str


class CutScore(Wire):
    """The cut, wrapped ``bars_a_line`` bars a line; ``aspect`` is how much wider than high the frame is."""

    revision: int
    bars_a_line: int
    aspect: float
    rate: float
    frames: int
    bars: tuple[BarTold, ...]
    shots: tuple[ShotTold, ...]
    sources: tuple[SourceTold, ...]
    effects: tuple[EffectTold, ...]
    meter: Meter
    in_the_way: str


class Flashing(Wire):
    """Whether the cut may be played without a warning, and why in a sentence."""

    state: Literal["safe", "fails", "unknown"]
    sentence: str


class At(Edit):
    """A frame of the film."""

    frame: Frame


class Replace(Edit):
    """What the shot that begins at ``frame`` is to show, as a table writes it."""

    frame: Frame
    shows: Annotated[str, Field(max_length=1000)]


class Move(Edit):
    """Where the shot that begins at ``frame`` is to begin."""

    frame: Frame
    to: Frame


class Ahead(Wire):
    """An effect that a person thinks of: from a frame, for some beats; what its kind does not have is not looked at."""

    kind: Literal["flicker", "stutter", "leak"]
    frame: Frame
    beats: Annotated[str, Field(max_length=12)]
    every: Annotated[str, Field(max_length=12)] = "1"
    depth_stops: float = 0.5
    side: Side = "right"


class AddEffect(Ahead, Edit):
    """An effect to add; ``anyway`` even if effects then flash too much by themselves."""

    anyway: bool = False


class Numbered(Edit):
    """An effect of the film; they count from 1."""

    number: Annotated[int, Field(ge=1)]


class Propose(Edit):
    """A proposal: the same seed gives the same cut."""

    seed: Annotated[int, Field(ge=0, le=10**6)] = 0


def cut(desk: Desk) -> CutScore:
    """Return the cut of the film as it is now."""
    head = desk.head()
    film = head.film
    if film.song is None or film.rate is None:
        raise InvalidInput("The film needs a song and a take before it can be cut. See: partsong shoot add")
    total, frame_s = song_frames(film), film.rate.frame_s
    placed = [(one.take.id, one.frames()) for one in placed_takes(film)]
    roaming = {take.id for take in film.takes if take.kind == "roaming"}
    placed.sort(key=lambda one: one[0] not in roaming)
    return CutScore(
        revision=head.revision.number,
        bars_a_line=BARS_A_LINE,
        aspect=film.width / film.height if film.width and film.height else 16 / 9,
        rate=float(film.rate.exact),
        frames=total,
        bars=_bars(film, total),
        shots=tuple(
            ShotTold(
                source=shot.source,
                shows=shown_text(shot),
                panels=shot.panels,
                start=shot.start,
                end=shot.end,
                place=place_text(film, shot.start),
                words=f"{clock(shot.start * frame_s)}, {float((shot.end - shot.start) * frame_s):.2f} s",
            )
            for shot in film.cut
        ),
        sources=(
            *([SourceTold(source=WIDE, first=0, stop=total)] if has_wide(film) else []),
            *(SourceTold(source=take, first=max(0, span.start), stop=min(total, span.stop)) for take, span in placed),
        ),
        effects=tuple(
            EffectTold(number=row.number, words=row.told, place=row.place, until=row.until, effect=effect)
            for row, effect in zip(effect_rows(film), film.effects, strict=True)
        ),
        meter=_meter(film),
        in_the_way="" if film.cut else "There is no cut yet.",
    )


def _bars(film: Film, total: int) -> tuple[BarTold, ...]:
    assert film.rate is not None
    assert film.song is not None
    takes = {one.take.id: one for one in placed_takes(film)}
    told, at, of = [], 0, version(film)

    def picture_of(source: str, frame: int) -> str | None:
        if source != WIDE and source not in takes:
            return None
        own = frame if source == WIDE else takes[source].source_frame(frame)
        return f"/media/pictures/{source}/{own}{of}"

    for cell in score_of(film):
        spans = []
        for span in cell.spans:
            number = next(n for n, shot in enumerate(film.cut) if shot.start <= span.frame < shot.end)
            rows = film.cut[number].panels or ((Panel(source=span.source),),)
            spans.append(
                SpanTold(
                    shot=number,
                    source=span.source,
                    share=span.share,
                    opens=span.opens,
                    pictures=tuple(tuple(picture_of(panel.source, span.frame) for panel in row) for row in rows),
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
    sentence = f"The shot at {_place(desk, wish.frame)} shows {wish.shows}"
    return _edit(desk, wish, sentence, lambda film: edits.replaced(film, wish.frame, wish.shows))


def move(desk: Desk, wish: Move) -> Done:
    """Let the shot that begins at a frame begin elsewhere."""
    sentence = f"Moved the beginning of the shot at {_place(desk, wish.frame)} to {_place(desk, wish.to)}"
    return _edit(desk, wish, sentence, lambda film: edits.moved(film, wish.frame, wish.to))


def propose(desk: Desk, wish: Propose) -> Done:
    """Put a proposed cut in the place of the film's."""
    return changed(desk, wish, lambda store: propose_cut(store, seed=wish.seed))


def ahead(desk: Desk, wish: Ahead) -> Meter:
    """Return what the film's effects would flash with one more; nothing is changed."""
    film = desk.head().film
    return _meter(effects.added(film, _effect(film, wish), anyway=True))


def add(desk: Desk, wish: AddEffect) -> Done:
    """Add an effect from a frame on."""
    return changed(desk, wish, lambda store: add_effect(store, lambda film: _effect(film, wish), anyway=wish.anyway))


def remove(desk: Desk, wish: Numbered) -> Done:
    """Take an effect away."""
    return changed(desk, wish, lambda store: remove_effect(store, wish.number))


def _effect(film: Film, wish: Ahead) -> Effect:
    start = wish.frame
    end = effects.end_of(film, start, wish.beats)
    if wish.kind == "flicker":
        return effects.flicker(film, start, end, every=wish.every, depth_stops=wish.depth_stops)
    if wish.kind == "stutter":
        return effects.stutter(film, start, end, every=wish.every)
    return effects.leak(film, start, end, side=wish.side)


def _meter(film: Film) -> Meter:
    found = effects.meter(film)
    return Meter(flashes=found.flashes, allowed=FLASHES_ALLOWED, fails=found.fails, sentence=found.sentence)


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
    Route("GET", "/api/cut/effects/ahead", ahead, Meter, "How much effects would flash with one more.", Ahead),
    Route("POST", "/api/cut/effects/add", add, Done, "Add an effect.", AddEffect),
    Route("POST", "/api/cut/effects/remove", remove, Done, "Take an effect away.", Numbered),
    Route("POST", "/api/cut/propose", propose, Done, "Propose a cut.", Propose),
    Route("GET", "/media/pictures/{source}/{frame}", shown, "image/jpeg", "A small picture, through the look."),
)
