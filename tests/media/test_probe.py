"""What a file says of itself is read right, and a file that is not whole is refused with a reason."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

import clips
from partsong.errors import InvalidInput, UnreadableMedia
from partsong.film.records import PictureInfo, Timecode
from partsong.media.probe import probe
from partsong.media.timing import even_rate


def picture_of(path: Path) -> PictureInfo:
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    return picture


def test_a_camera_clip_is_described_whole(tmp_path: Path) -> None:
    path = clips.clip(
        tmp_path / "c.mov",
        frames=48,
        codec="libx265",
        pixel_format="yuv422p10le",
        rate="24000/1001",
        b_frames=3,
        timecode="09:58:30:12",
        matrix="bt2020nc",
        pixel_aspect=Fraction(4, 3),
        sound=clips.tone(2.0, channels=2),
    )
    clip = probe(path, clips.record_of(path))
    picture, sound = clip.picture, clip.sound
    assert picture is not None
    assert sound is not None
    assert (picture.codec, picture.width, picture.height) == ("hevc", clips.WIDTH, clips.HEIGHT)
    assert (picture.pixel_format, picture.bit_depth) == ("yuv422p10le", 10)
    assert (picture.pixel_aspect_num, picture.pixel_aspect_den) == (4, 3)
    assert (picture.rate.exact, picture.variable_rate, picture.frames) == (Fraction(24000, 1001), False, 48)
    assert (picture.matrix, picture.value_range) == ("bt2020nc", "limited")
    assert (picture.primaries, picture.transfer) == ("unknown", "unknown")
    # By hand: ((9 * 60 + 58) * 60 + 30) * 24 + 12.
    assert picture.timecode == Timecode(frame=861852, drop=False)
    assert (sound.codec, sound.rate_hz, sound.channels, sound.layout, sound.samples) == (
        "pcm_s16le", 48000, 2, "stereo", 96000,
    )  # fmt: skip
    assert clip.duration.seconds == 48 * Fraction(1001, 24000)
    assert clip.container == "mov"


@pytest.mark.parametrize("rate", ["24000/1001", "24", "25", "30000/1001", "50", "60000/1001", "120"])
@pytest.mark.parametrize("suffix", [".mov", ".mkv"])
def test_every_usual_rate_is_found_exactly(rate: str, suffix: str, tmp_path: Path) -> None:
    # Matroska keeps times in thousandths, so the exact rate must be recognised behind the rounding.
    path = clips.clip(tmp_path / f"c{suffix}", frames=40, rate=rate, b_frames=2)
    picture = picture_of(path)
    assert picture.rate.exact == Fraction(rate)
    assert (picture.frames, picture.variable_rate) == (40, False)


def test_a_rate_counted_in_a_clock_that_does_not_divide_it_is_even() -> None:
    # 24000/1001 in ticks of 1/90000 s: 3753.75 each, so 3753 and 3754 by turns.
    ticks = [round(n * 3753.75) for n in range(500)]
    stated = Fraction(90000 * 499, ticks[-1])
    assert even_rate(ticks, Fraction(1, 90000), [stated]) == (Fraction(24000, 1001), True)
    ticks[250] += 3
    assert even_rate(ticks, Fraction(1, 90000), [stated])[1] is False


def test_a_variable_rate_is_said_to_be_one(tmp_path: Path) -> None:
    ticks = [3000 * n + (700 if n > 20 else 0) for n in range(40)]
    path = clips.clip(tmp_path / "c.mp4", frames=40, tick_s=Fraction(1, 90000), ticks=ticks)
    clip = probe(path, clips.record_of(path))
    assert clip.picture is not None
    assert clip.picture.variable_rate
    # First to last frame, and one mean frame for the last to last.
    assert float(clip.duration.seconds) == pytest.approx(ticks[-1] / 90000 * 40 / 39, abs=1e-4)


def test_drop_frame_timecode_keeps_its_flag(tmp_path: Path) -> None:
    path = clips.clip(tmp_path / "c.mov", rate="30000/1001", timecode="00:01:00;02")
    # SMPTE ST 12-1: the label after 00:00:59;29 (frame 1799) is 00:01:00;02.
    assert picture_of(path).timecode == Timecode(frame=1800, drop=True)
    assert picture_of(clips.clip(tmp_path / "without.mov")).timecode is None


@pytest.mark.parametrize("codec", ["libx264", "ffv1"])
def test_what_a_file_does_not_say_stays_unknown(codec: str, tmp_path: Path) -> None:
    picture = picture_of(clips.clip(tmp_path / "c.mkv", codec=codec, matrix="unknown", value_range="unknown"))
    assert (picture.matrix, picture.value_range, picture.primaries) == ("unknown", "unknown", "unknown")


def test_full_range_and_the_older_matrix_are_told(tmp_path: Path) -> None:
    picture = picture_of(clips.clip(tmp_path / "c.mp4", matrix="bt601", value_range="full"))
    assert (picture.matrix, picture.value_range) == ("bt601", "full")


def test_fragments_are_counted(tmp_path: Path) -> None:
    path = clips.clip(tmp_path / "c.mp4", frames=50, muxing={"movflags": "frag_keyframe+empty_moov"})
    assert picture_of(path).frames == 50


def test_sound_alone_is_a_clip_without_picture(tmp_path: Path) -> None:
    path = clips.sound_file(tmp_path / "song.wav", clips.tone(1.5, rate_hz=44100, channels=2), rate_hz=44100)
    clip = probe(path, clips.record_of(path))
    assert clip.picture is None
    assert clip.sound is not None
    assert (clip.sound.rate_hz, clip.sound.samples) == (44100, 66150)
    assert clip.duration.seconds == Fraction(3, 2)


def test_a_cover_picture_does_not_make_a_song_a_clip(tmp_path: Path) -> None:
    path = tmp_path / "song.m4a"
    with av.open(str(path), "w", format="mp4") as container:
        sound: Any = container.add_stream("aac", rate=48000)
        sound.layout = "mono"
        cover: Any = container.add_stream("mjpeg", rate=1)
        cover.width, cover.height, cover.pix_fmt = 64, 64, "yuvj420p"
        cover.disposition = av.stream.Disposition.attached_pic
        frame = av.VideoFrame(64, 64, "yuvj420p")
        frame.pts = 0
        container.mux(cover.encode(frame))
        container.mux(cover.encode(None))
        block = av.AudioFrame.from_ndarray(np.zeros((1, 4096), np.float32), format="fltp", layout="mono")
        block.sample_rate, block.pts = 48000, 0
        container.mux(sound.encode(block))
        container.mux(sound.encode(None))
    clip = probe(path, clips.record_of(path))
    assert clip.picture is None
    assert clip.sound is not None


# --- refusals ---------------------------------------------------------------------------------------


def refused(path: Path, reason: str, remedy: str, capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(UnreadableMedia, match=reason) as caught:
        probe(path, clips.record_of(path) if path.stat().st_size else clips.record_of(Path(__file__)))
    assert path.name in str(caught.value)
    assert remedy in caught.value.remedy
    # The library's own log must not reach the person.
    assert capfd.readouterr() == ("", "")


def test_text_by_another_name(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "c.mp4"
    path.write_text("Take 3 of the harmonium, second half is better.\n" * 40, encoding="utf-8")
    refused(path, "text file", "camera's own file", capfd)


def test_a_list_of_files_is_not_followed(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    clips.clip(tmp_path / "real.mov")
    path = tmp_path / "c.mov"
    path.write_text("ffconcat version 1.0\nfile real.mov\n", encoding="utf-8")
    refused(path, "text file", "camera's own file", capfd)


def test_an_empty_file(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "c.mov"
    path.touch()
    refused(path, "empty", "Copy it again", capfd)


def test_a_clip_without_its_index(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = clips.cut_off(clips.clip(tmp_path / "c.mov", frames=50), 0.5)
    refused(path, "index is missing", "Copy it again", capfd)


@pytest.mark.parametrize("keep", [0.6, 0.98])
def test_a_clip_with_its_index_in_front_but_cut_off(
    keep: float, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = clips.clip(tmp_path / "c.mp4", frames=50, gop=10, muxing={"movflags": "faststart"})
    clips.cut_off(path, keep)
    refused(path, r"cut off: its index lists 50 frames, but only \d+ are in the file", "Copy it again", capfd)


def test_a_copy_of_full_length_whose_end_is_blank(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    # As a copy that reserved its space and then broke off leaves it.
    path = clips.clip(tmp_path / "c.mp4", frames=50, gop=10, muxing={"movflags": "faststart"})
    whole = path.read_bytes()
    kept = int(len(whole) * 0.6)
    path.write_bytes(whole[:kept] + bytes(len(whole) - kept))
    refused(path, "last frames cannot be decoded", "Copy it again", capfd)


def test_a_matroska_clip_that_is_cut_off(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = clips.clip(tmp_path / "c.mkv", frames=100, gop=10)
    clips.cut_off(path, 0.5)
    refused(path, "cut off: it should last 4.00 s, but ends at", "Copy it again", capfd)


def test_bytes_that_are_no_media(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "c.mov"
    path.write_bytes(np.random.default_rng(1).bytes(5000))
    refused(path, "not picture or sound", "Choose a MOV", capfd)
    path.write_bytes(bytes(5000))
    refused(path, "nothing but zeros", "Copy it again", capfd)


def test_a_track_without_frames(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    # A recorder that writes in fragments, switched off before the first of them.
    path = clips.clip(tmp_path / "c.mp4", muxing={"movflags": "frag_keyframe+empty_moov"})
    whole = path.read_bytes()
    path.write_bytes(whole[: whole.index(b"moof") - 4])
    refused(path, "not one frame", "Copy it again", capfd)


def test_an_encrypted_clip(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    key = "00112233445566778899aabbccddeeff"
    locked = {"encryption_scheme": "cenc-aes-ctr", "encryption_key": key, "encryption_kid": key}
    refused(clips.clip(tmp_path / "c.mp4", muxing=locked), "encrypted", "without protection", capfd)


def test_a_mirrored_picture(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    refused(clips.clip(tmp_path / "c.mov", mirrored=True), "mirrored", "upright", capfd)


def test_times_in_the_order_of_decoding(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = clips.clip(tmp_path / "c.mxf", b_frames=3, options={"x264-params": "b-adapt=0"})
    refused(path, "time of their decoding", "Rewrap", capfd)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match="is not there"):
        probe(tmp_path / "c.mov", clips.record_of(Path(__file__)))
    with pytest.raises(InvalidInput, match="is a folder"):
        probe(tmp_path, clips.record_of(Path(__file__)))
