"""Names as people write them, and the words and ids made of them."""

from __future__ import annotations

import re
import unicodedata
from fractions import Fraction

from partsong.errors import InvalidInput

# Letters that do not come apart into a base letter and an accent.
_LETTERS = str.maketrans(
    {"æ": "ae", "œ": "oe", "ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "ı": "i", "ħ": "h", "ŋ": "ng"}
)


def folded(text: str) -> str:
    """Return text without regard to case and accents.

    >>> folded("Cajón"), folded("GROSSE Flöte"), folded("Große Flöte")
    ('cajon', 'grosse flote', 'grosse flote')
    """
    apart = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter for letter in apart if not unicodedata.combining(letter)).translate(_LETTERS)


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


def exact_number(text: str, what: str) -> Fraction:
    """Read a decimal or a fraction exactly.

    >>> exact_number("92.5", "tempo"), exact_number("184/2", "tempo")
    (Fraction(185, 2), Fraction(92, 1))

    Raises
    ------
    InvalidInput
        If the text is neither; ``what`` names it in the sentence.
    """
    plain = text.strip()
    match = re.fullmatch(r"([+-]?\d+)\s*/\s*(\d+)", plain, re.ASCII)
    if match and int(match[2]):
        return Fraction(int(match[1]), int(match[2]))
    if re.fullmatch(r"[+-]?\d+(\.\d+)?", plain, re.ASCII):
        return Fraction(plain)
    raise InvalidInput(f"The {what} {text!r} is not a number. Write it like 92, 92.5 or 184/2.")
