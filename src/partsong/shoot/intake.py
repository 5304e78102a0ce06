"""What a clip's folders and file name say about it.

A wrong guess costs more than a question, so a clip's part and kind are taken from whole words only, and two words
that disagree leave it open.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Literal

from partsong.film.records import Part
from partsong.shoot.names import words_of

Kind = Literal["stage", "roaming", "plate"]
Words = tuple[str, ...]


def _listed(text: str) -> frozenset[str]:
    return frozenset(text.split())


PICTURE_SUFFIXES = _listed(".mov .mp4 .m4v .mxf .mkv .webm .avi .mts .m2ts .ts .3gp .3g2 .mpg .mpeg .wmv .dv .ogv")
SOUND_SUFFIXES = _listed(".wav .bwf .w64 .rf64 .aif .aiff .caf .flac .mp3 .m4a .aac .ogg .opus")

# Words on a folder or file that say which kind of clip it is, the words of a phrase joined by a dash.
_KIND_WORDS: dict[Kind, frozenset[str]] = {
    "stage": _listed("stage locked locked-off lockedoff lock-off lockoff wide tripod"),
    "roaming": _listed(
        "roaming roam coverage b-roll broll handheld hand-held gimbal stabilised stabilized close close-up close-ups "
        "closeup closeups detail details insert inserts cutaway cutaways"
    ),
    "plate": _listed("plate plates ambient empty-room room"),
}
# Words on a folder that say where a clip was stored, not who plays on it.
_STORAGE_WORDS = _listed(
    "clip clips card cards cam camera cameras dcim media footage video videos private film films take takes day roll "
    "reel original originals rushes raw log shoot shots copy backup new folder untitled and the of"
)


@dataclass(frozen=True, slots=True)
class Asked:
    """What the person said for the clips whose names leave it open; ``part`` is a part's id."""

    part: str | None = None
    kind: Kind | None = None


@dataclass(frozen=True, slots=True)
class Guess:
    """What a clip is, as far as its names say; ``question`` and ``answer`` are empty when it is clear."""

    kind: Kind | None
    part: str | None
    question: str = ""
    answer: str = ""


def natural_order(path: PurePath) -> tuple[tuple[int, int, str], ...]:
    """Return a sorting key in which clip 2 comes before clip 10.

    >>> sorted([PurePath("clip10"), PurePath("clip2")], key=natural_order)
    [PurePosixPath('clip2'), PurePosixPath('clip10')]
    """
    pieces = re.findall(r"\d+|\D+", path.as_posix())
    return tuple((0, int(piece), piece) if piece.isdecimal() else (1, 0, piece) for piece in pieces)


def guess(names: Sequence[str], parts: Sequence[Part], asked: Asked) -> Guess:
    """Guess what a clip is from the names of its folders and its own.

    Parameters
    ----------
    names : sequence of str
        From the outermost folder to the file's name without suffix.
    parts : sequence of Part
        The film's.
    asked : Asked
        Decides what the names leave open. Where it contradicts them, that is a question too.
    """
    levels = [words_of(name) for name in names]
    found_parts: list[str] = []
    found_kinds: list[set[Kind]] = []
    for number, words in enumerate(levels):
        heard, rest = _parts_in(words, parts)
        found_parts += [part for part in heard if part not in found_parts]
        found_kinds.append(_kinds_in(rest, is_file=number == len(levels) - 1))
    # The innermost name that says a kind decides: "wide/details/clip" is a detail.
    kinds = next((kinds for kinds in reversed(found_kinds) if kinds), set[Kind]())
    kind = next(iter(kinds)) if len(kinds) == 1 else None
    part = found_parts[0] if len(found_parts) == 1 else None

    name_of = {entry.id: entry.name for entry in parts}
    if kind and asked.kind and kind != asked.kind:
        return Guess(kind, part, f"its name says {kind}, --kind says {asked.kind}", "leave --kind out")
    if part and asked.part and part != asked.part:
        said = f"its name says {name_of[part]}, --part says {name_of[asked.part]}"
        return Guess(kind, part, said, "leave --part out")
    kind, part = kind or asked.kind, part or asked.part
    if kind is None and len(kinds) > 1:
        both = " and ".join(sorted(kinds))
        return Guess(None, part, f"its name says {both}", "--kind stage, --kind roaming or --kind plate")
    if part is None and len(found_parts) > 1:
        both = " and ".join(name_of[entry] for entry in found_parts)
        return Guess(kind, None, f"its names say {both}", "--part " + " or --part ".join(found_parts))
    if kind is None:
        question = "is it from the locked-off camera, roaming coverage or a plate without the player?"
        return Guess(None, part, question, "--kind stage, --kind roaming or --kind plate")
    if kind == "stage" and part is None:
        return _which_part(names[:-1], parts)
    return Guess(kind, part)


def _which_part(folders: Sequence[str], parts: Sequence[Part]) -> Guess:
    known = "--part " + " or --part ".join(part.id for part in parts) if parts else ""
    for folder in reversed(folders):
        words = words_of(folder)
        for phrases in _KIND_WORDS.values():
            for phrase in sorted(phrases, key=len, reverse=True):
                words, _ = _without(words, words_of(phrase))
        if any(len(word) > 1 and not word.isdecimal() and word not in _STORAGE_WORDS for word in words):
            # The number in front of a folder's name is its place in the order, not part of the name.
            name = re.sub(r"^\W*\d+[\W_]*", "", folder) or folder
            answer = f'--new-part "{name}"' + (f" or {known}" if known else "")
            return Guess("stage", None, f"is {name!r} a new part?", answer)
    return Guess("stage", None, "which part is it?", known or '--new-part "NAME"')


def _parts_in(words: Words, parts: Sequence[Part]) -> tuple[list[str], Words]:
    """Return the parts whose whole names stand in a name, and the words that are left."""
    names = [(_names_of(part), part.id) for part in parts]
    # Longest first, so that "upright bass" is not also heard as "bass".
    every = sorted(((name, part) for options, part in names for name in options), key=lambda pair: -len(pair[0]))
    heard: list[str] = []
    for name, part in every:
        words, times = _without(words, name)
        if times and part not in heard:
            heard.append(part)
    return heard, words


def _names_of(part: Part) -> set[Words]:
    return {name for name in (words_of(part.name), words_of(part.id)) if name}


def _kinds_in(words: Words, *, is_file: bool) -> set[Kind]:
    kinds: set[Kind] = set()
    for kind, phrases in _KIND_WORDS.items():
        for phrase in phrases:
            # A folder "living room" is a place; only a folder called "room" and nothing else holds plates.
            counts = phrase != "room" or is_file or [word for word in words if not word.isdecimal()] == ["room"]
            if counts and _without(words, words_of(phrase))[1]:
                kinds.add(kind)
    return kinds


def _without(words: Words, name: Words) -> tuple[Words, int]:
    """Return the words without every run of them that spells ``name``, and how many there were."""
    left: list[str] = []
    at = times = 0
    while at < len(words):
        if words[at : at + len(name)] == name:
            times += 1
            at += len(name)
            left.append("|")  # keeps the words on both sides apart
        else:
            left.append(words[at])
            at += 1
    return (tuple(left), times) if times else (words, 0)
