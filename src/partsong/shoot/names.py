"""Names as people write them, and the words and ids made of them."""

from __future__ import annotations

import re
import unicodedata

# Letters that do not come apart into a base letter and an accent.
_LETTERS = str.maketrans(
    {"æ": "ae", "œ": "oe", "ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "ı": "i", "ħ": "h", "ŋ": "ng"}
)


def folded(text: str) -> str:
    """Return text without regard to case and accents.

    >>> folded("Cajón"), folded("GROSSE Flöte"), folded("Große Flöte")
    ('cajon', 'grosse flote', 'grosse flote')
    """
    return without_accents(text.casefold()).translate(_LETTERS)


def without_accents(text: str) -> str:
    """Return text whose letters have lost their accents.

    >>> without_accents("Cajón Ø")
    'Cajon Ø'
    """
    return "".join(sign for sign in unicodedata.normalize("NFKD", text) if not unicodedata.combining(sign))


def words_of(text: str) -> tuple[str, ...]:
    """Return the words and numbers of a name, folded; numbers without leading zeros.

    >>> words_of("01 Cajón_locked-off")
    ('1', 'cajon', 'locked', 'off')
    >>> words_of("Violin02")
    ('violin', '2')
    """
    found = re.findall(r"[^\W\d_]+|\d+", folded(text))
    return tuple(str(int(word)) if word.isdecimal() else word for word in found)


def slug(text: str) -> str:
    """Return an ASCII id made of a name; empty when no letter of it has an ASCII form.

    >>> slug("Upright Bass (2)")
    'upright-bass-2'
    """
    plain = re.sub(r"[^a-z0-9]+", "-", folded(text).encode("ascii", "ignore").decode())
    return plain.strip("-")[:60].rstrip("-")


def part_id(name: str, number: int) -> str:
    """Return the id of a part from its name, or from its ``number`` in score order when the name gives none."""
    return slug(name) or f"part-{number}"
