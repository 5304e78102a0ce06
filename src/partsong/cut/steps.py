"""Setting the song's tempo, proposing a cut, and taking an edited table back into the film."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from partsong.cut import effects
from partsong.cut.coverage import bars_of, base_of, coverage, runs, whole_bars
from partsong.cut.propose import propose
from partsong.cut.table import parsed, place_text, printed
from partsong.cut.tempo import sections_of, tempo_map
from partsong.errors import Conflict, InvalidInput
from partsong.film.coverage import song_frames
from partsong.film.effects import told
from partsong.film.records import Effect, Film, Shot, Song
from partsong.film.store import FilmStore, Head
from partsong.film.tempo import Position, time_of


def set_tempo(
    store: FilmStore,
    *,
    bpm: str | None,
    beats_per_bar: int | None,
    bar_one_s: str | None,
    from_bar: int,
    sections: Sequence[str],
) -> Head:
    """Set the song's tempo from a bar on, its sections, or both. A cut that exists keeps its frames.

    Raises
    ------
    InvalidInput
        If the film has no song, or a value cannot be used.
    """
    named = sections_of(sections) if sections else None

    def edit(film: Film) -> Film:
        song = _song(film)
        if bpm is not None:
            tempo = tempo_map(
                song.tempo,
                bpm=bpm,
                beats_per_bar=beats_per_bar or (song.tempo[-1].beats_per_bar if song.tempo else 4),
                bar_one_s=bar_one_s,
                from_bar=from_bar,
                length_s=song.length_s,
            )
            song = song.replace(tempo=tempo)
        if named is not None:
            song = song.replace(sections=named)
        _all_begin_in(song)
        return film.replace(song=song)

    if bpm is None and (beats_per_bar is not None or bar_one_s is not None or from_bar != 1):
        raise InvalidInput("Give --bpm with --beats, --bar-one and --from-bar: together they say how the song counts.")
    told = []
    if bpm is not None:
        told.append(f"{bpm} beats a minute from bar {from_bar}")
    if named is not None:
        told.append(f"sections {', '.join(section.name for section in named)}")
    return store.change(f"Set the song's tempo map: {'; '.join(told)}", edit)


def _all_begin_in(song: Song) -> None:
    for section in song.sections if song.tempo else ():
        begins_s = time_of(song.tempo, Position(section.bar, Fraction(0)))
        if begins_s >= song.length_s:
            raise InvalidInput(
                f"Section {section.name!r} would begin at bar {section.bar}, {float(begins_s):.2f} s into a song that "
                f"lasts {float(song.length_s):.2f} s. Give a bar of the song: --section {section.name}=BAR"
            )


def propose_cut(store: FilmStore, *, seed: int) -> Head:
    """Put a proposed cut in the place of the film's cut, as one revision that can be undone.

    Raises
    ------
    InvalidInput
        If the song has no tempo map, the film no frame rate, or there is neither a wide nor a take on the song.
    """

    def edit(film: Film) -> Film:
        song, total = _song(film), song_frames(film)
        takes = coverage(film)
        base = base_of(film, takes)
        others = [one for one in takes if one != base]
        sections = [section.bar for section in song.sections]
        return film.replace(cut=propose(bars_of(film), sections, total, others, base=base, seed=seed))

    count = len(edit(store.head().film).cut)
    return store.change(f"Proposed a cut of {count} shot{'' if count == 1 else 's'} (seed {seed})", edit)


def covered_bars(film: Film) -> tuple[tuple[str, str], ...]:
    """Return (take, bars as text) of the roaming takes that cover some of the song."""
    lines, total = bars_of(film), song_frames(film)
    return tuple((found.take, runs(whole_bars(found, lines, total)) or "no whole bar") for found in coverage(film))


def cut_text(store: FilmStore) -> str:
    """Return the film's cut as a table that can be edited and given back."""
    head = store.head()
    return printed(head.film, head.revision.number)


@dataclass(frozen=True, slots=True)
class ShotRow:
    """A shot for reading: its place in the score, its frames, and its start and length in seconds."""

    place: str
    source: str
    start: int
    end: int
    start_s: float
    length_s: float


def shot_rows(film: Film) -> tuple[ShotRow, ...]:
    """Return the shots of the film's cut in order."""
    return tuple(_row(film, shot) for shot in film.cut)


def _row(film: Film, shot: Shot) -> ShotRow:
    assert film.rate is not None
    frame_s = film.rate.frame_s
    return ShotRow(
        place=place_text(film, shot.start),
        source=shot.source,
        start=shot.start,
        end=shot.end,
        start_s=float(shot.start * frame_s),
        length_s=float((shot.end - shot.start) * frame_s),
    )


def edit_cut(store: FilmStore, text: str, name: str) -> Head:
    """Take an edited table as the film's cut, if the cut is still the one that the table was printed from.

    Parameters
    ----------
    store : FilmStore
        The film.
    text : str
        The table; its first comment names the revision.
    name : str
        What errors call it.

    Raises
    ------
    Conflict
        If the cut, the tempo map or the frame rate was changed since that revision; the film and the table stay as
        they are.
    InvalidInput
        If the table cannot be read, or names no revision although the film has a cut.
    """

    def edit(film: Film) -> Film:
        table = parsed(film, text, name)
        if table.revision is not None:
            _unchanged_since(store, film, table.revision, name)
        elif film.cut:
            raise InvalidInput(
                f"{name} does not say which revision it was made from, and the film has a cut already. "
                "Print that with: partsong cut show FILM, and keep its first line."
            )
        return film.replace(cut=table.shots)

    count = len(edit(store.head().film).cut)
    return store.change(f"Edited the cut: {count} shot{'' if count == 1 else 's'}", edit)


@dataclass(frozen=True, slots=True)
class EffectRow:
    """An effect for reading: what it is, from where in the score to where, and its frames."""

    number: int
    told: str
    place: str
    until: str
    start: int
    end: int


def effect_rows(film: Film) -> tuple[EffectRow, ...]:
    """Return the effects of the film in order; they count from 1."""
    return tuple(
        EffectRow(n, told(one), place_text(film, one.start), place_text(film, one.end), one.start, one.end)
        for n, one in enumerate(film.effects, start=1)
    )


def add_effect(store: FilmStore, make: Callable[[Film], Effect], *, anyway: bool = False) -> Head:
    """Add an effect, unless effects would flash too much by themselves; ``anyway`` adds it all the same.

    Raises
    ------
    InvalidInput
        If it flashes too much, does not lie in the song, or a number cannot be used.
    """
    film = store.head().film
    _ready_for_effects(film)
    effect = make(film)
    place = place_text(film, effect.start)
    return store.change(f"Added from {place}: {told(effect)}", lambda film: effects.added(film, effect, anyway=anyway))


def remove_effect(store: FilmStore, number: int) -> Head:
    """Take an effect away; they count from 1."""
    film = store.head().film
    effects.removed(film, number)
    gone = film.effects[number - 1]
    sentence = f"Took away from {place_text(film, gone.start)}: {told(gone)}"
    return store.change(sentence, lambda film: effects.removed(film, number))


def _ready_for_effects(film: Film) -> None:
    _song(film)
    if film.rate is None:
        raise InvalidInput("The film has no frame rate yet. Add a take first: partsong shoot add FILM FOLDER")


def _unchanged_since(store: FilmStore, film: Film, revision: int, name: str) -> None:
    then, now = store.film_at(revision), store.head().revision.number
    changed = [
        what
        for what, before, after in (
            ("cut", then.cut, film.cut),
            ("tempo map", then.song.tempo if then.song else (), film.song.tempo if film.song else ()),
            ("frame rate", then.rate, film.rate),
        )
        if before != after
    ]
    if changed:
        raise Conflict(
            f"The film's {' and '.join(changed)} changed since revision {revision}, which {name} was printed from. "
            "Nothing was saved, and the table is as you left it: print the new one with partsong cut show FILM and "
            "carry your changes over. Or, to read this one on what is there now, "
            f"write revision {now} in its first line."
        )


def _song(film: Film) -> Song:
    if film.song is None:
        raise InvalidInput("The film has no song yet. Make it around one: partsong new FILM --song MIX.wav")
    return film.song
