import hashlib
import threading

import numpy as np
import pytest

from partsong.demo.make import make, read_truth
from partsong.errors import Cancelled, InvalidInput
from partsong.film.folder import FilmFolder
from partsong.media.picture import open_picture
from partsong.media.probe import probe
from partsong.media.sound import load_sound
from partsong.watch import Watch, silent

SMALL = {"width": 160, "height": 90, "bars": 1, "parts": ("cajon",), "roaming": False, "workers": 1}


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    return folder, make(folder, **SMALL, watch=silent())


def test_the_truth_is_written_and_read_back(tiny_film_material):
    folder, truth = tiny_film_material.folder, tiny_film_material.truth
    assert read_truth(folder) == truth
    assert [part.id for part in truth.parts] == ["cajon", "upright-bass", "harmonium", "glockenspiel", "melodica"]
    for path in (truth.mix, *(part.stem for part in truth.parts), *(clip.path for clip in truth.clips)):
        assert (folder / path).is_file(), path


def test_clips_are_what_they_say(tiny_film_material):
    folder, truth = tiny_film_material.folder, tiny_film_material.truth
    film = FilmFolder(folder)
    for clip in truth.clips:
        path = folder / clip.path
        found = probe(path, film.refer(path))
        assert found.picture is not None
        assert found.sound is not None
        assert (found.picture.width, found.picture.height) == (truth.width, truth.height)
        assert (found.picture.frames, found.picture.rate) == (clip.frames, truth.rate)
        assert (found.picture.bit_depth, found.picture.pixel_format) == (10, "yuv422p10le")
        assert (found.picture.matrix, found.picture.value_range) == ("bt709", "limited")
        assert (found.picture.primaries, found.picture.transfer) == ("unknown", "unknown")
        assert found.picture.timecode is not None
        assert found.picture.timecode.frame == clip.timecode_frame
        assert (found.sound.rate_hz, found.sound.samples) == (48000, clip.frames * 2000)


def test_stems_are_as_long_as_the_mix(tiny_film_material):
    folder, truth = tiny_film_material.folder, tiny_film_material.truth
    assert load_sound(folder / truth.mix).shape == (truth.song_samples, 2)
    for part in truth.parts:
        assert load_sound(folder / part.stem).shape == (truth.song_samples, 1)


def test_the_recorded_picture_is_the_drawn_one(tiny_film_material):
    from partsong.demo import clips as card
    from partsong.demo import tune

    folder, truth = tiny_film_material.folder, tiny_film_material.truth
    clip = truth.stage("glockenspiel")
    path = folder / clip.path
    found = probe(path, FilmFolder(folder).refer(path))
    with open_picture(path, found.picture) as reader:
        decoded = [planes.y.astype(np.float64) for planes in reader.read([100])]
    drawn = card.light_frames(clip, tune.waltz(bars=truth.bars), width=truth.width, height=truth.height, some=[100])
    clean = card.camera.record(next(iter(drawn)), seed=0, noisy=False).y
    # Noise is 2 to 4 codes deep in the shadows, and the codec smooths it.
    assert np.abs(decoded[0] - clean).mean() < 4


def test_a_second_making_keeps_every_file(small):
    folder, truth = small
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*.mov")} | {
        path: path.stat().st_mtime_ns for path in folder.rglob("*.wav")
    }
    assert len(before) == 7
    assert make(folder, **SMALL, watch=silent()) == truth
    assert {path: path.stat().st_mtime_ns for path in before} == before


def test_a_damaged_file_is_made_again_and_comes_out_the_same(small):
    folder, truth = small
    clip, stem = folder / truth.clips[0].path, folder / truth.parts[0].stem
    before = [hashlib.sha256(path.read_bytes()).hexdigest() for path in (clip, stem)]
    clip.write_bytes(b"torn")
    stem.unlink()
    make(folder, **SMALL, watch=silent())
    assert [hashlib.sha256(path.read_bytes()).hexdigest() for path in (clip, stem)] == before


def test_stopping_leaves_no_half_written_file(tmp_path):
    stop = threading.Event()

    def report(progress):
        if progress.done > 120:  # the song is done, the clip is not
            stop.set()

    with pytest.raises(Cancelled):
        make(tmp_path, **SMALL, watch=Watch(report, stop.is_set))
    assert not list(tmp_path.rglob("*.mov"))
    assert not list(tmp_path.rglob("*.part*"))
    assert (tmp_path / "song" / "mix.wav").is_file()


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"bars": 0}, "Give 1 to 20"),
        ({"bars": 21}, "Give 1 to 20"),
        ({"parts": ("theremin",)}, "no such part: theremin"),
        ({"width": 161}, "even sides"),
    ],
)
def test_what_cannot_be_made_is_refused(tmp_path, wrong, sentence):
    with pytest.raises(InvalidInput, match=sentence):
        make(tmp_path, **{**SMALL, **wrong}, watch=silent())
    assert not list(tmp_path.iterdir())
