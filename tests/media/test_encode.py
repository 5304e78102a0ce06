"""What is written by a recipe plays, starts at 0, says what it is, and fails in one sentence."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.metrics import peak_signal_noise_ratio

import clips
from partsong.errors import InvalidInput, OutputFailed
from partsong.film.folder import writing
from partsong.film.records import PictureInfo, Timecode
from partsong.media.encode import RECIPES, PictureWriter, SoundTrack
from partsong.media.picture import open_picture
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.media.sound import load_sound
from partsong.timebase import Rate


def written(path: Path, name: str, frames: int = 30, rate: str = "24000/1001", **how: Any) -> PictureInfo:
    recipe = RECIPES[name]
    with PictureWriter(path, recipe, width=clips.WIDTH, height=clips.HEIGHT, rate=Rate.of(rate), **how) as writer:
        for number in range(frames):
            writer.write(clips.numbered(number, bit_depth=recipe.bit_depth, chroma=recipe.chroma))
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    return picture


@pytest.mark.parametrize("name", RECIPES)
def test_a_recipe_gives_what_was_asked(name: str, tmp_path: Path) -> None:
    path = tmp_path / f"c{RECIPES[name].suffix}"
    samples = 60060  # thirty frames of 24000/1001 at 48 kHz are 2002 each
    track = SoundTrack([clips.tone(2, channels=2)], 2, "aac" if path.suffix == ".mp4" else "pcm_s24le", samples=samples)
    picture = written(path, name, timecode=Timecode(frame=86400), sound=track)
    assert (picture.frames, picture.rate.exact, picture.variable_rate) == (30, Fraction(24000, 1001), False)
    assert picture.pixel_format == RECIPES[name].pixel_format
    tags = (picture.matrix, picture.value_range, picture.primaries, picture.transfer)
    assert tags == ("bt709", "limited", "bt709", "bt709")
    assert picture.timecode == Timecode(frame=86400)
    assert len(load_sound(path)) == samples
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        packets = [packet for packet in container.demux(stream) if packet.size]
        keys = [number for number, packet in enumerate(packets) if packet.is_keyframe]
    # Shown in the order of decoding, from 0 on, every frame one step long: nothing to offset when joined.
    assert [packet.pts for packet in packets] == [packet.dts for packet in packets]
    assert [packet.pts * packet.time_base for packet in packets] == [n * Fraction(1001, 24000) for n in range(30)]
    assert keys[:2] == {"camera": [0, 24], "h264": [0], "preview": [0, 12]}.get(name, [0, 1])
    with open_picture(path, picture) as reader:
        assert [clips.number_in(planes) for planes in reader.read(range(30))] == list(range(30))


def grainy(number: int) -> Planes:
    """Return a picture like a camera's: shapes, a moving disc, and grain of six codes."""
    grain = np.random.default_rng(number)
    rows, columns = np.mgrid[0:240, 0:320]
    y = 200 + 150 * np.exp(-((columns - 160) ** 2 + (rows - 100) ** 2) / 9000) + 40 * np.sin(columns / 23)
    y[(columns - 40 - 8 * number) ** 2 + (rows - 120) ** 2 < 900] += 200

    def codes(plane: NDArray[np.float64], low: int, high: int) -> NDArray[np.uint16]:
        return np.clip(np.rint(plane + grain.normal(0, 6, plane.shape)), low, high).astype(np.uint16)

    u, v = (codes(512 + 50 * np.sin(columns[:, ::2] / 60 + turn), 64, 960) for turn in (0, 1))
    return Planes(codes(y, 64, 940), u, v, 10, "bt709", "limited")


def psnr_of(path: Path, name: str) -> float:
    frames = [grainy(number) for number in range(8)]
    with PictureWriter(path, RECIPES[name], width=320, height=240, rate=Rate.of(24)) as writer:
        for planes in frames:
            writer.write(planes)
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    with open_picture(path, picture) as reader:
        got = np.stack([planes.y.copy() for planes in reader.read(range(8))])
    return float(peak_signal_noise_ratio(np.stack([planes.y for planes in frames]), got, data_range=1023))


def test_the_intermediate_is_nearly_lossless_and_the_mezzanine_is_fit_to_keep(tmp_path: Path) -> None:
    # Grain of 6 codes lies 44.6 dB below white: what keeps it must be well above that. scikit-image measures.
    assert psnr_of(tmp_path / "i.mov", "intermediate") > 53
    assert psnr_of(tmp_path / "m.mov", "mezzanine") > 50
    assert psnr_of(tmp_path / "c.mov", "camera") > 47


def test_log_footage_keeps_untagged_primaries(tmp_path: Path) -> None:
    picture = written(tmp_path / "c.mov", "camera", 3, primaries="unknown", transfer="unknown")
    assert (picture.matrix, picture.primaries, picture.transfer) == ("bt709", "unknown", "unknown")


def test_an_mp4_has_its_index_in_front(tmp_path: Path) -> None:
    written(tmp_path / "c.mp4", "h264", 5)
    data = (tmp_path / "c.mp4").read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")


def test_short_sound_is_filled_with_silence_and_long_sound_is_cut(tmp_path: Path) -> None:
    for seconds in (0.5, 3.0):
        path = tmp_path / f"{seconds}.mov"
        written(path, "camera", 24, sound=SoundTrack([clips.tone(seconds)], 1, samples=48000))
        sound = load_sound(path)
        assert len(sound) == 48000
        np.testing.assert_allclose(
            sound[: min(48000, int(seconds * 48000))], clips.tone(1)[: int(seconds * 48000)], atol=2**-23
        )
    np.testing.assert_array_equal(load_sound(tmp_path / "0.5.mov")[24000:], 0)


# --- refusals ---------------------------------------------------------------------------------------


def test_frames_of_another_kind_are_refused(tmp_path: Path) -> None:
    with (
        pytest.raises(InvalidInput, match="Frame 0 is 96 x 64"),
        PictureWriter(tmp_path / "c.mp4", RECIPES["h264"], width=96, height=64, rate=Rate.of(25)) as writer,
    ):
        writer.write(clips.numbered(0, bit_depth=10))


@pytest.mark.parametrize(("width", "height"), [(95, 64), (96, 63), (8, 8)])
def test_sizes_that_cannot_be_encoded(width: int, height: int, tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match="sides must be even"):
        PictureWriter(tmp_path / "c.mp4", RECIPES["h264"], width=width, height=height, rate=Rate.of(25))


def test_other_containers_tags_and_sounds_are_refused(tmp_path: Path) -> None:
    def make(name: str = "c.mp4", **how: Any) -> PictureWriter:
        return PictureWriter(tmp_path / name, RECIPES["h264"], width=96, height=64, rate=Rate.of(25), **how)

    with pytest.raises(InvalidInput, match=r"name it \.mov or \.mp4"):
        make("c.avi")
    with pytest.raises(InvalidInput, match="no colour tag"):
        make(transfer="logarithmic")
    with pytest.raises(InvalidInput, match="6 channels"):
        make(sound=SoundTrack([], 6))


def test_nothing_written_is_no_clip(tmp_path: Path) -> None:
    with (
        pytest.raises(InvalidInput, match="at least one frame"),
        PictureWriter(tmp_path / "c.mp4", RECIPES["h264"], width=96, height=64, rate=Rate.of(25)),
    ):
        pass


def test_a_full_disk_leaves_nothing(tmp_path: Path, small_files: None) -> None:
    def fill() -> None:
        with (
            writing(tmp_path / "c.mov") as temporary,
            PictureWriter(temporary, RECIPES["intermediate"], width=320, height=240, rate=Rate.of(24)) as writer,
        ):
            for number in range(60):
                writer.write(grainy(number))

    with pytest.raises(OutputFailed, match="could not be written"):
        fill()
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_fills_up_at_the_very_end_is_noticed(tmp_path: Path, small_files: None) -> None:
    # So little that everything waits in the writer's buffer until it is closed.
    def fill() -> None:
        with (
            writing(tmp_path / "c.mov") as temporary,
            PictureWriter(temporary, RECIPES["intermediate"], width=320, height=240, rate=Rate.of(24)) as writer,
        ):
            writer.write(grainy(0))
            writer.write(grainy(1))

    with pytest.raises(OutputFailed, match="could not be written"):
        fill()
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    def into_nowhere() -> None:
        written(tmp_path / "no" / "c.mov", "camera", 3)

    with pytest.raises(OutputFailed, match=r"c\.mov could not be written"):
        into_nowhere()
