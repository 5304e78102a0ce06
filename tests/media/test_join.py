"""Segments join without a seam in time, with sound of exactly the length asked for, and the result is whole."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

import clips
from partsong.errors import Cancelled, InvalidInput, OutputFailed, UnreadableMedia
from partsong.film.folder import writing
from partsong.film.records import Timecode
from partsong.media.check import decode_all
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.join import join
from partsong.media.picture import open_picture
from partsong.media.probe import probe
from partsong.media.sound import load_sound, write_wav
from partsong.timebase import Rate
from partsong.watch import Progress, Watch, silent


def segments(folder: Path, name: str, lengths: list[int], rate: str = "30000/1001", width: int = 96) -> list[Path]:
    recipe, paths, number = RECIPES[name], [], 0
    for part, length in enumerate(lengths):
        paths.append(folder / f"segment{part}{recipe.suffix}")
        with PictureWriter(paths[-1], recipe, width=width, height=64, rate=Rate.of(rate)) as writer:
            for _ in range(length):
                writer.write(clips.numbered(number, width=width, bit_depth=recipe.bit_depth, chroma=recipe.chroma))
                number += 1
    return paths


@pytest.mark.parametrize("name", RECIPES)
@pytest.mark.parametrize(("width", "height", "rate"), [(1280, 720, "24"), (1920, 1080, "25")])
def test_broadcast_sizes_join_too(name: str, width: int, height: int, rate: str, tmp_path: Path) -> None:
    recipe = RECIPES[name]
    paths = [tmp_path / f"{number}{recipe.suffix}" for number in range(2)]
    frame = clips.numbered(5, width=width, height=height, bit_depth=recipe.bit_depth, chroma=recipe.chroma)
    for path in paths:
        with PictureWriter(path, recipe, width=width, height=height, rate=Rate.of(rate)) as writer:
            writer.write(frame)
    out = tmp_path / f"joined{recipe.suffix}"
    join(paths, out, sound=None)
    assert decode_all(out, silent()).frames == 2


@pytest.mark.parametrize("name", RECIPES)
def test_segments_become_one_file(name: str, tmp_path: Path) -> None:
    recipe = RECIPES[name]
    write_wav(tmp_path / "song.wav", [clips.tone(4, channels=2)])
    out = tmp_path / f"master{recipe.suffix}"
    samples = 124925  # 78 frames of 1601.6 samples, to the nearest
    codec = "aac" if recipe.suffix == ".mp4" else "pcm_s24le"
    timecode = Timecode(frame=107892, drop=True)
    join(
        segments(tmp_path, name, [30, 7, 1, 40]),
        out,
        sound=tmp_path / "song.wav",
        sound_codec=codec,
        sound_samples=samples,
        timecode=timecode,
    )
    found = decode_all(out, silent())
    assert (found.frames, found.first_s, found.even) == (78, 0, True)
    assert found.picture_s == 78 * Fraction(1001, 30000)
    assert (found.sound_samples, found.sound_rate_hz) == (samples, 48000)
    picture = probe(out, clips.record_of(out)).picture
    assert picture is not None
    assert picture.timecode == timecode
    assert (picture.matrix, picture.value_range, picture.primaries) == ("bt709", "limited", "bt709")
    with open_picture(out, picture) as reader:
        assert [clips.number_in(planes) for planes in reader.read(range(78))] == list(range(78))
        for wanted in (71, 38, 37, 2):
            assert [clips.number_in(planes) for planes in reader.read([wanted])] == [wanted]
    error = np.abs(load_sound(out) - clips.tone(4, channels=2)[:samples])
    # 24 bits of PCM are exact; AAC errs by its noise, and at its hard start and end by the half packet it smears.
    assert error.max() <= 2**-23 if codec == "pcm_s24le" else error[1024:-1024].max() < 0.01


def test_aac_starts_at_the_sample(tmp_path: Path) -> None:
    # Known truth: a click 10000 samples in. Left-in priming would move it by 1024.
    sound = np.zeros((48000, 1), np.float32)
    sound[10000] = 0.9
    write_wav(tmp_path / "s.wav", [sound])
    join(segments(tmp_path, "h264", [30]), tmp_path / "m.mp4", sound=tmp_path / "s.wav", sound_codec="aac")
    assert abs(int(np.abs(load_sound(tmp_path / "m.mp4")[:, 0]).argmax()) - 10000) <= 1
    assert decode_all(tmp_path / "m.mp4", silent()).sound_samples == 48000


def test_sound_at_another_rate_and_shorter_than_the_picture(tmp_path: Path) -> None:
    write_wav(tmp_path / "s.wav", [clips.tone(0.5, rate_hz=44100)], rate_hz=44100)
    join(segments(tmp_path, "intermediate", [30]), tmp_path / "m.mov", sound=tmp_path / "s.wav", sound_samples=48048)
    sound = load_sound(tmp_path / "m.mov")
    assert len(sound) == 48048
    assert np.abs(sound[200:23800] - clips.tone(0.5)[200:23800]).max() < 1e-4  # the filter's ringing at both ends
    np.testing.assert_array_equal(sound[24000:], 0)


def test_without_sound_there_is_none(tmp_path: Path) -> None:
    join(segments(tmp_path, "h264", [5, 5]), tmp_path / "m.mp4", sound=None, sound_codec="aac")
    found = decode_all(tmp_path / "m.mp4", silent())
    assert (found.frames, found.sound_samples, found.sound_s) == (10, 0, 0)


def test_what_does_not_belong_together_is_refused(tmp_path: Path) -> None:
    good = segments(tmp_path, "h264", [5])
    (tmp_path / "other").mkdir()
    wider = segments(tmp_path / "other", "h264", [5], width=128)
    with pytest.raises(InvalidInput, match="not encoded like"):
        join([*good, *wider], tmp_path / "m.mp4", sound=None)
    faster = segments(tmp_path / "other", "h264", [5], rate="50")
    with pytest.raises(InvalidInput, match="not encoded like"):
        join([*good, *faster], tmp_path / "m.mp4", sound=None)
    with pytest.raises(InvalidInput, match="at least one segment"):
        join([], tmp_path / "m.mp4", sound=None)
    with pytest.raises(InvalidInput, match=r"needs a \.mov"):
        join(good, tmp_path / "m.mp4", sound=good[0], sound_codec="pcm_s24le")
    with pytest.raises(UnreadableMedia, match="no sound in it"):
        join(good, tmp_path / "m.mp4", sound=good[0], sound_codec="aac")
    reordered = clips.clip(tmp_path / "b.mp4", frames=10, b_frames=3, rate="25")
    with pytest.raises(InvalidInput, match="does not run evenly"):
        join([reordered], tmp_path / "m.mp4", sound=None)


def test_a_full_disk_is_told_as_such_and_leaves_nothing(tmp_path: Path, small_files: None) -> None:
    paths = segments(tmp_path, "intermediate", [4] * 12)
    before = sorted(tmp_path.iterdir())

    def fill() -> None:
        with writing(tmp_path / "m.mov") as temporary:
            join(paths, temporary, sound=None)

    with pytest.raises(OutputFailed, match="could not be written"):
        fill()
    assert sorted(tmp_path.iterdir()) == before


# --- decoding everything ------------------------------------------------------------------------------


def test_damage_in_the_middle_is_found(tmp_path: Path) -> None:
    path = segments(tmp_path, "mezzanine", [20])[0]
    with av.open(str(path)) as container:
        entry = container.streams.video[0].index_entries[11]
        place, size = entry.pos, entry.size
    data = bytearray(path.read_bytes())
    data[place : place + size] = bytes(size)
    path.write_bytes(bytes(data))
    with pytest.raises(UnreadableMedia, match="damaged"):
        decode_all(path, silent())


def test_frames_that_do_not_follow_evenly_are_told(tmp_path: Path) -> None:
    ticks = [512 * number + (4096 if number > 9 else 0) for number in range(20)]
    path = clips.clip(tmp_path / "c.mp4", frames=20, tick_s=Fraction(1, 12800), ticks=ticks)
    assert decode_all(path, silent()).even is False


def test_checking_reports_and_stops(tmp_path: Path) -> None:
    path = segments(tmp_path, "h264", [40])[0]
    told: list[Progress] = []
    decode_all(path, Watch(told.append, lambda: False))
    assert [(entry.done, entry.total) for entry in told] == [(0, 40), (12, 40), (24, 40), (36, 40)]
    with pytest.raises(Cancelled):
        decode_all(path, Watch(told.append, lambda: True))
