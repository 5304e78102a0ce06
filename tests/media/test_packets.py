"""Packets and key frames of real files, held to the frames' own numbers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clips
from partsong.errors import InvalidInput, UnreadableMedia
from partsong.media.packets import packets_of, read_key_frames
from partsong.media.probe import probe

KINDS: dict[str, dict[str, Any]] = {
    "reordered": {"codec": "libx264", "b_frames": 2},
    "hevc": {"codec": "libx265", "b_frames": 3, "pixel_format": "yuv420p10le"},
    "intra": {"codec": "prores_ks", "pixel_format": "yuv422p10le"},
    "matroska": {"codec": "libx264"},
}


@pytest.mark.parametrize("kind", KINDS)
def test_key_frames_carry_their_own_numbers(tmp_path: Path, kind: str) -> None:
    path = clips.clip(tmp_path / ("a.mkv" if kind == "matroska" else "a.mov"), frames=60, **KINDS[kind])
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    wanted = [0, 5, 13, 30, 31, 59]
    found = [(number, clips.number_in(planes)) for number, planes in read_key_frames(path, picture, wanted)]
    assert found[0] == (0, 0)
    assert [drawn for _, drawn in found] == [number for number, _ in found] == sorted({number for number, _ in found})
    assert all(number in wanted for number, _ in found) if kind == "intra" else len(found) >= 3
    packets = packets_of(path)
    # 1e-3: Matroska's times are thousandths of a second.
    assert np.allclose(packets.times_s, np.arange(60) / 25, atol=1e-3)
    assert packets.keys.sum() == (60 if kind == "intra" else pytest.approx(5, abs=1))
    assert packets.sizes.sum() < path.stat().st_size


def test_what_holds_no_picture_is_refused(tmp_path: Path) -> None:
    path = clips.sound_file(tmp_path / "a.wav", clips.tone(0.5))
    with pytest.raises(UnreadableMedia, match="no picture"):
        packets_of(path)
    untagged = clips.clip(tmp_path / "b.mov", matrix="unknown", frames=3)
    picture = probe(untagged, clips.record_of(untagged)).picture
    assert picture is not None
    with pytest.raises(InvalidInput, match="does not say its colour matrix"):
        list(read_key_frames(untagged, picture, [0]))
