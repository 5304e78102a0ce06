"""The beginning of a film: a song with its stems, the parts they stand for, and a tempo map."""

from __future__ import annotations

import unicodedata
from fractions import Fraction
from pathlib import Path

from partsong.errors import InvalidInput, UnreadableMedia
from partsong.film.folder import FilmFolder
from partsong.film.records import Clip, Film, Part, Song, Stem, TempoMark
from partsong.film.store import FilmStore, Head
from partsong.film.tempo import mark_of
from partsong.shoot.names import part_id
from partsong.timebase import Time, clock, exact_number

_FRAME_S = Fraction(1, 24)
"""What a frame is before any take has said so: the longest in common use."""


def new_film(
    folder: Path,
    *,
    song: Path,
    stems: tuple[str, ...] = (),
    title: str | None = None,
    bpm: str | None = None,
    beats_per_bar: int = 4,
    bar_one_s: str = "0",
) -> Head:
    """Make a film around a song; parts come in the order of the stems.

    Everything is read and checked before anything is made, so that nothing is left behind when it fails.

    Parameters
    ----------
    folder : Path
        The folder to make.
    song : Path
        The finished mix.
    stems : tuple of str
        ``part=file`` each.
    title : str, optional
        The song's title; the file's name otherwise.
    bpm : str, optional
        Beats a minute, a decimal or fraction that is taken exactly. Without it there is no tempo map yet.
    beats_per_bar : int
        Beats in a bar.
    bar_one_s : str
        Song time of bar 1's first beat in seconds, exactly; kept to the nearest 48 kHz sample.

    Raises
    ------
    InvalidInput
        If a value or file cannot be used, or the folder already holds a film.
    """
    target = FilmFolder(Path(folder).resolve())
    if target.database.exists():
        raise InvalidInput(f"{folder} already holds a film. Choose another folder; nothing was changed.")
    named = _named_stems(stems)
    mix = _sound(target, Path(song), "song")
    tempo = _tempo(bpm, beats_per_bar, bar_one_s, mix.duration.seconds)
    parts = tuple(part for part, _ in named)
    document = Film(
        name=_title(title, Path(song)),
        song=Song(
            title=_title(title, Path(song)),
            mix=mix,
            stems=tuple(Stem(part=part.id, clip=_sound(target, path, f"stem of {part.name}")) for part, path in named),
            tempo=tempo,
        ),
        parts=parts,
    )
    with FilmStore.create(folder, document, f"Began {document.name}") as store:
        return store.head()


def remarks(song: Song, parts: tuple[Part, ...]) -> tuple[str, ...]:
    """Return what is odd about a song's stems, a sentence each: those longer or shorter than the mix by a frame."""
    names = {part.id: part.name for part in parts}
    found = []
    for stem in song.stems:
        longer_s = stem.clip.duration.seconds - song.length_s
        if abs(longer_s) > _FRAME_S:
            how = "longer" if longer_s > 0 else "shorter"
            found.append(
                f"The stem of {names[stem.part]} is {float(abs(longer_s)):.2f} s {how} than the mix "
                f"({clock(song.length_s)}): check that both start at the same moment."
            )
    return tuple(found)


def _title(title: str | None, song: Path) -> str:
    return unicodedata.normalize("NFC", (title or "").strip() or song.stem)


def _named_stems(stems: tuple[str, ...]) -> tuple[tuple[Part, Path], ...]:
    named: list[tuple[Part, Path]] = []
    for number, text in enumerate(stems, start=1):
        name, equals, file = text.partition("=")
        name = unicodedata.normalize("NFC", name.strip())
        if not (name and equals and file.strip()):
            raise InvalidInput(f"The stem {text!r} does not say which part it is. Write it as PART=FILE.")
        part = Part(id=part_id(name, number), name=name)
        same = next((earlier.name for earlier, _ in named if earlier.id == part.id), None)
        if same is not None:
            raise InvalidInput(f"The stems of {same!r} and {name!r} would be one part. Give each a name of its own.")
        named.append((part, Path(file.strip())))
    return tuple(named)


def _sound(folder: FilmFolder, path: Path, what: str) -> Clip:
    from partsong.media.probe import probe

    if not path.is_file():
        raise InvalidInput(f"The {what} is not there: {path}. Give the path of an existing sound file.")
    if path.stat().st_size == 0:
        raise UnreadableMedia(path, f"the {what} is an empty file", "Export it again.")
    clip = probe(path, folder.refer(path))
    if clip.sound is None:
        raise UnreadableMedia(path, f"the {what} has no sound in it", "Give a sound file.")
    return clip


def _tempo(bpm: str | None, beats_per_bar: int, bar_one_s: str, length_s: Fraction) -> tuple[TempoMark, ...]:
    at_s = exact_number(bar_one_s, "start of bar 1")
    if bpm is None:
        if at_s:
            raise InvalidInput("Bar 1 has a start but the song has no tempo. Give --bpm as well.")
        return ()
    return (mark_of(bar=1, at=Time.of(at_s), bpm=bpm, beats_per_bar=beats_per_bar, length_s=length_s),)
