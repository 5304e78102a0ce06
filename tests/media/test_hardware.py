"""Video hardware is used where it gives the same codes, and no clip is lost where it does not."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest

import clips
from partsong.media.frames import layout_of, planes_of
from partsong.media.hardware import agreed, devices_for, difference
from partsong.media.picture import open_picture
from partsong.media.planes import Planes
from partsong.media.probe import probe


@pytest.mark.parametrize(
    ("paired", "planar"),
    [
        ("nv12", "yuv420p"),
        ("nv24", "yuv444p"),
        ("nv16", "yuv422p"),
        ("p010le", "yuv420p10le"),
        ("p210le", "yuv422p10le"),
        ("p012le", "yuv420p12le"),
    ],
)
def test_colours_that_share_a_plane_are_told_apart(paired: str, planar: str) -> None:
    # The reference is FFmpeg's own conversion between the two forms of the same codes.
    chance = np.random.default_rng(1)
    first = av.VideoFrame(38, 22, planar)
    assert layout_of(first.format) == layout_of(av.VideoFormat(paired, 38, 22))
    layout = layout_of(first.format)
    assert layout is not None
    for plane in first.planes:
        kind = np.uint8 if layout[1] == 8 else np.uint16
        memory = np.frombuffer(plane, kind)
        memory[:] = chance.integers(0, 1 << layout[1], memory.size)
    want, got = (planes_of(frame, "bt709", "limited") for frame in (first, first.reformat(format=paired)))
    assert difference(got, want) == 0
    assert got.chroma == want.chroma


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_hardware_that_is_chosen_gives_the_same_frames_and_lack_of_it_is_said(codec: str, tmp_path: Path) -> None:
    pixel_format = "yuv420p10le" if codec == "libx265" else "yuv420p"
    path = clips.clip(tmp_path / "c.mov", frames=30, codec=codec, pixel_format=pixel_format, b_frames=2)
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    found = agreed(path, picture)
    assert (found.device is None) == ("in software" in found.sentence)
    assert picture.codec in found.sentence
    # Asked for by name, hardware that is not there, or fails, costs no frame.
    device = found.device or (devices_for(picture.codec) or ["cuda"])[0]
    with open_picture(path, picture, threads=1, device=device) as reader:
        assert [clips.number_in(planes) for planes in reader.read(range(30))] == list(range(30))
    with open_picture(path, picture, threads=1, device=device) as reader:
        assert [clips.number_in(planes) for planes in reader.read([7, 21])] == [7, 21]


def test_no_hardware_is_offered_for_what_none_decodes() -> None:
    assert devices_for("ffv1") == []
    assert devices_for("no such codec") == []


def test_difference_is_in_codes() -> None:
    grey = np.full((4, 4), 512, np.uint16)
    one = Planes(grey, grey[:, :2], grey[:, :2], 10, "bt709", "limited")
    other = Planes(grey + np.uint16(3), grey[:, :2], grey[:, :2] - np.uint16(5), 10, "bt709", "limited")
    assert difference(one, other) == 5
    assert difference(one, Planes(grey, grey, grey, 10, "bt709", "limited")) == 1024
