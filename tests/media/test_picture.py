"""Frames come out by number, exactly, with their codes untouched."""

from __future__ import annotations

import random
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

import clips
from partsong.errors import InvalidInput, UnreadableMedia
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.picture import open_picture, resized
from partsong.media.probe import probe
from partsong.timebase import Rate

KINDS = {
    "h264-b-frames": ("c.mp4", {"b_frames": 3, "options": {"x264-params": "b-adapt=0:b-pyramid=normal"}}),
    "h264-open-gop": ("c.mov", {"b_frames": 3, "options": {"x264-params": "open-gop=1:b-adapt=0:scenecut=0"}}),
    "hevc-b-frames": ("c.mov", {"codec": "libx265", "pixel_format": "yuv420p10le", "b_frames": 4}),
    "h264-10-bit-422-intra": ("c.mov", {"pixel_format": "yuv422p10le", "gop": 1}),
    "mezzanine": ("c.mov", {"codec": "prores_aw", "pixel_format": "yuv422p10le"}),
    "matroska": ("c.mkv", {"b_frames": 3, "rate": "24000/1001"}),
    "transport-stream": ("c.ts", {"b_frames": 2}),
    "fragmented": ("c.mp4", {"b_frames": 2, "muxing": {"movflags": "frag_keyframe+empty_moov"}}),
    "first-time-not-zero": ("c.mov", {"ticks": range(1000, 1100), "b_frames": 3}),
    "variable-rate": (
        "c.mp4",
        {"b_frames": 2, "tick_s": Fraction(1, 90000), "ticks": [3000 * n + 900 * (n % 3) for n in range(100)]},
    ),
}


@pytest.mark.parametrize("kind", KINDS)
def test_every_frame_asked_for_is_the_one_that_comes(kind: str, tmp_path: Path) -> None:
    # Known truth: each frame shows its own number, drawn before it was encoded.
    name, how = KINDS[kind]
    path = clips.clip(tmp_path / name, frames=100, **how)
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    assert picture.frames == 100
    assert picture.variable_rate == (kind == "variable-rate")
    chance = random.Random(kind)
    with open_picture(path, picture, threads=2) as reader:
        assert [clips.number_in(planes) for planes in reader.read(range(100))] == list(range(100))
        for _ in range(12):
            wanted = [chance.randrange(100)]
            assert [clips.number_in(planes) for planes in reader.read(wanted)] == wanted
        for _ in range(4):
            wanted = sorted(chance.choices(range(100), k=6))
            assert [clips.number_in(planes) for planes in reader.read(wanted)] == wanted


@pytest.mark.parametrize("name", RECIPES)
def test_our_own_files_are_read_the_same_without_a_look_inside_first(name: str, tmp_path: Path) -> None:
    recipe = RECIPES[name]
    path = tmp_path / f"c{recipe.suffix}"
    with PictureWriter(path, recipe, width=clips.WIDTH, height=clips.HEIGHT, rate=Rate.of(24), threads=1) as writer:
        for number in range(9):
            writer.write(clips.numbered(number, bit_depth=recipe.bit_depth, chroma=recipe.chroma))
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    read = []
    for known in (False, True):
        with open_picture(path, picture, threads=1, known=known) as reader:
            read.append(
                [tuple(plane.copy() for plane in (one.y, one.u, one.v)) for one in reader.read((0, 1, 2, 7, 8))]
            )
    for looked, unlooked in zip(*read, strict=True):
        for one, other in zip(looked, unlooked, strict=True):
            np.testing.assert_array_equal(one, other)


def test_frames_before_an_edit_list_are_not_counted(tmp_path: Path) -> None:
    # Times below zero make the muxer write an edit list that hides them: ten frames here.
    path = clips.clip(tmp_path / "c.mov", frames=60, b_frames=3, ticks=range(-10, 50))
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    assert picture.frames == 50
    with open_picture(path, picture, threads=1) as reader:
        for wanted in (49, 0, 17, 3, 30):
            assert [clips.number_in(planes) for planes in reader.read([wanted])] == [wanted + 10]


@pytest.mark.parametrize(
    ("codec", "pixel_format", "bit_depth", "chroma"),
    [
        ("ffv1", "yuv420p", 8, "420"),
        ("ffv1", "yuv422p10le", 10, "422"),
        ("ffv1", "yuv444p12le", 12, "444"),
        ("libx265", "yuv422p12le", 12, "422"),
        ("libx265", "yuv444p10le", 10, "444"),
    ],
)
def test_codes_come_out_untouched(codec: str, pixel_format: str, bit_depth: int, chroma: str, tmp_path: Path) -> None:
    lossless = {"x265-params": "log-level=none:lossless=1:pools=1:frame-threads=1"} if codec == "libx265" else {}
    path = clips.clip(tmp_path / "c.mkv", frames=5, codec=codec, pixel_format=pixel_format, options=lossless)
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    with open_picture(path, picture, threads=1, matrix="bt709", value_range="limited") as reader:
        kept = list(reader.read(range(5)))  # all are kept alive: a view must not be overwritten by a later frame
    for number, planes in enumerate(kept):
        truth = clips.numbered(number, bit_depth=bit_depth, chroma=chroma)
        assert (planes.bit_depth, planes.chroma) == (bit_depth, chroma)
        for got, expected in zip((planes.y, planes.u, planes.v), (truth.y, truth.u, truth.v), strict=True):
            np.testing.assert_array_equal(got, expected)


@pytest.mark.parametrize("turned_deg", [90, 180, 270])
@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv422p"])
def test_a_turned_camera_gives_upright_planes(turned_deg: int, pixel_format: str, tmp_path: Path) -> None:
    path = clips.clip(tmp_path / "c.mov", frames=3, turned_deg=turned_deg, pixel_format=pixel_format)
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    assert picture.rotation_deg == turned_deg
    with open_picture(path, picture) as reader:
        planes = next(reader.read([2]))
    stored = clips.numbered(2).y
    upright = {90: stored[::-1].T, 180: stored[::-1, ::-1], 270: stored.T[::-1]}[turned_deg]
    assert planes.y.shape == upright.shape
    assert planes.u.shape in {
        planes.y.shape,
        (planes.height // 2, planes.width // 2),
        (planes.height, planes.width // 2),
    }
    # Encoded at crf 18: within a few codes on average; a wrong turn is off by tens.
    assert np.abs(planes.y.astype(int) - upright).mean() < 6


def test_unknown_tags_are_asked_about_and_given_ones_are_kept(tmp_path: Path) -> None:
    path = clips.clip(tmp_path / "c.mkv", frames=3, codec="ffv1", matrix="unknown", value_range="unknown")
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    assert (picture.matrix, picture.value_range) == ("unknown", "unknown")
    with pytest.raises(InvalidInput, match="give it as matrix"):
        open_picture(path, picture)
    with pytest.raises(InvalidInput, match="give it as value_range"):
        open_picture(path, picture, matrix="bt601")
    with open_picture(path, picture, matrix="bt601", value_range="full") as reader:
        planes = next(reader.read([0]))
    assert (planes.matrix, planes.value_range) == ("bt601", "full")


def test_frames_that_are_not_there_are_refused(tmp_path: Path) -> None:
    path = clips.clip(tmp_path / "c.mov", frames=10)
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    with open_picture(path, picture) as reader:
        with pytest.raises(InvalidInput, match="no frame 10: it has 10"):
            list(reader.read([9, 10]))
        with pytest.raises(InvalidInput, match="asked for after 5"):
            list(reader.read([5, 4]))
        assert clips.number_in(next(reader.read([4]))) == 4


def test_a_frame_that_cannot_be_decoded_is_named(tmp_path: Path) -> None:
    path = clips.clip(tmp_path / "c.mov", frames=30, gop=1)
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    claimed = picture.replace(frames=40)
    with (
        open_picture(path, claimed) as reader,
        pytest.raises(UnreadableMedia, match="frame 35 of 40 cannot be decoded"),
    ):
        list(reader.read([35]))


@pytest.mark.parametrize("turned_deg", [0, 90])
def test_previews_are_small_upright_and_of_the_right_frame(tmp_path, turned_deg):
    path = clips.clip(
        tmp_path / "c.mov", width=192, height=128, pixel_format="yuv422p10le", turned_deg=turned_deg, frames=30
    )
    picture = probe(path, clips.record_of(path)).picture
    size = (96, 64) if turned_deg == 0 else (64, 96)
    with open_picture(path, picture, preview=size) as small, open_picture(path, picture) as whole:
        for planes, full in zip(small.read([0, 7, 29]), whole.read([0, 7, 29]), strict=True):
            assert (planes.width, planes.height, planes.bit_depth, planes.chroma) == (*size, 8, "420")
            wanted = resized(full, *size).y / 4
            # The library rounds to 8 bits with a dither of at most one code either way.
            assert np.abs(planes.y - wanted).max() <= 1.5
