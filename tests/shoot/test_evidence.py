"""A take's picture shows the frame in its own colours, its marks, and writing that fills the sheet."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
import pytest

from partsong.film.folder import FilmFolder
from partsong.film.records import Take
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.shoot.evidence import _wrapped, draw
from partsong.shoot.judge import Remark
from partsong.timebase import Rate


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


def test_the_frame_keeps_its_colours_and_marks_are_red(tmp_path) -> None:
    path = tmp_path / "cajon.mov"
    # ITU-R BT.709-6, 10 bits, limited: Y' = 430/876, R' = Y' + 1.5748 * 100/896, B' = Y' - 1.8556 * 114/896.
    luma, blue, red = np.full((180, 320), 494, np.uint16), np.full((180, 160), 398, np.uint16), np.full((180, 160), 612)
    with PictureWriter(path, RECIPES["camera"], width=320, height=180, rate=Rate(num=25), threads=1) as writer:
        for _ in range(3):
            writer.write(Planes(luma, blue, red.astype(np.uint16), 10, "bt709", "limited"))
    folder = FilmFolder(tmp_path / "film")
    take = Take(id="cajon-1", kind="stage", part="cajon", clip=probe(path, folder.refer(path)))
    remark = Remark("prop gone", "It is gone.", "Put it back.", "look first", box=(100, 60, 80, 50))
    out = draw(folder, take, (remark.finding(take),), "look first", np.ones((180, 320), bool))
    drawn = cv2.imread(str(out))[..., ::-1].astype(int)  # the library's own order is blue first
    assert drawn.shape[0] > 180
    frame = drawn[20:40, 20:300].mean(axis=(0, 1)) / 255
    assert np.abs(frame - (0.667, 0.462, 0.255)).max() < 0.02
    marks = drawn[60, 110:170]
    assert np.abs(marks.mean(axis=0) - (235, 90, 40)).max() < 25
    paper = drawn[-8:, 4:10].mean(axis=(0, 1))
    assert paper[0] > paper[2]


def test_a_camera_that_stands_elsewhere_is_shown_beside_the_reference(tmp_path) -> None:
    rng = np.random.default_rng(2)
    room = cv2.GaussianBlur(rng.integers(200, 700, (180, 324)).astype(np.float32), (0, 0), 1.5).astype(np.uint16)
    grey = np.full((180, 160), 512, np.uint16)
    folder, takes = FilmFolder(tmp_path / "film"), []
    # The second lies four pixels further left, and is lit by half as much.
    for name, luma in (("cajon", room[:, :320]), ("organ", 100 + room[:, 4:] // 2)):
        path = tmp_path / f"{name}.mov"
        with PictureWriter(path, RECIPES["camera"], width=320, height=180, rate=Rate(num=25), threads=1) as writer:
            for _ in range(3):
                writer.write(Planes(luma, grey, grey, 10, "bt709", "limited"))
        takes.append(Take(id=f"{name}-1", kind="stage", part=name, clip=probe(path, folder.refer(path))))
    remark = Remark("camera moved", "It lies off.", "Put it back.", "do not strike")
    free = np.ones((180, 320), bool)
    plain = cv2.imread(str(draw(folder, takes[1], (remark.finding(takes[1]),), "do not strike", free)))
    shown = cv2.imread(str(draw(folder, takes[1], (remark.finding(takes[1]),), "do not strike", free, takes[0])))
    side = (320 - 4) // 2
    high = round(side * 54 / 96)
    assert len(shown) - len(plain) >= high
    left, right = (shown[180 : 180 + high, x : x + side, 0].astype(np.float32) for x in (0, 320 - side))
    (across, down), sure = cv2.phaseCorrelate(left, right, cv2.createHanningWindow((side, high), cv2.CV_32F))
    assert sure > 0.2
    # Four pixels to the left, as much larger as it is shown.
    assert (across, down) == pytest.approx((-4 * side / 96, 0), abs=1.5)
