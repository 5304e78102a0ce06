"""Colour tags: the numbers that streams carry and the names that we give them.

The numbers are the code points of ITU-T H.273 (ISO/IEC 23091-2): ``ColourPrimaries``, ``TransferCharacteristics``,
``MatrixCoefficients``. A number without a name here is kept as ``code N``; number 2 says nothing: ``unknown``.
"""

from __future__ import annotations

from typing import get_args

from partsong.errors import InvalidInput
from partsong.media.planes import Matrix, ValueRange

UNKNOWN = "unknown"

# 5 (625 lines) and 6 (525 lines) have the same coefficients, those of BT.601; the first number of a name is written.
MATRICES = {1: "bt709", 6: "bt601", 5: "bt601", 9: "bt2020nc", 0: "rgb", 10: "bt2020c", 14: "ictcp"}
PRIMARIES = {1: "bt709", 5: "bt601-625", 6: "bt601-525", 9: "bt2020", 11: "dci-p3", 12: "display-p3"}
TRANSFERS = {
    1: "bt709",
    4: "gamma22",
    5: "gamma28",
    6: "bt601",
    8: "linear",
    13: "srgb",
    14: "bt2020-10",
    15: "bt2020-12",
    16: "pq",
    18: "hlg",
}
# The library's own numbers for the one-bit flag of H.273, with 0 for "not said".
RANGES = {1: "limited", 2: "full"}


def name_of(names: dict[int, str], code: int) -> str:
    """Return our name of a code point."""
    unsaid = code == 2 and names is not RANGES
    return names.get(code, UNKNOWN if unsaid or code == 0 else f"code {code}")


def code_of(names: dict[int, str], name: str) -> int:
    """Return the code point of one of our names.

    Raises
    ------
    InvalidInput
        If we have no such name.
    """
    if name == UNKNOWN:
        return 0 if names is RANGES else 2
    for code, known in names.items():
        if known == name:
            return code
    raise InvalidInput(f"{name!r} is no colour tag. Use one of: {', '.join(dict.fromkeys(names.values()))}, {UNKNOWN}.")


def usable_matrix(name: str) -> Matrix | None:
    """Return the matrix when the picture maths know it."""
    return next((known for known in get_args(Matrix) if known == name), None)


def usable_range(name: str) -> ValueRange | None:
    """Return the value range when it is said."""
    return next((known for known in get_args(ValueRange) if known == name), None)


def presumed(matrix: str, value_range: str) -> tuple[Matrix, ValueRange]:
    """Return both as they are said, else as most video has them: to look at a picture, not to make one of it.

    >>> presumed("bt2020nc", "unknown")
    ('bt2020nc', 'limited')
    """
    return usable_matrix(matrix) or "bt709", usable_range(value_range) or "limited"
