"""The writing under a take's picture fills the sheet and does not run over its edge."""

from __future__ import annotations

from itertools import pairwise

import cv2

from partsong.shoot.evidence import _wrapped


def _width(text: str) -> int:
    return int(cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 0.6, 1)[0][0])


def test_lines_are_as_long_as_the_sheet_is_wide() -> None:
    text = "MMMM WWWW " * 12 + "illi lili " * 40
    lines = _wrapped(text, 900)
    assert " ".join(lines) == text.strip()
    assert all(_width(line) <= 900 for line in lines)
    assert all(_width(f"{line} {after.split()[0]}") > 900 for line, after in pairwise(lines))


def test_a_word_that_is_too_wide_stands_alone() -> None:
    assert _wrapped("of " + "W" * 200 + " it", 300) == ["of", "W" * 200, "it"]
