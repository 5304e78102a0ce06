from __future__ import annotations

import os
import subprocess
import sys
import time

import pytest

from partsong.errors import InvalidInput, NotAFilm, OutputFailed
from partsong.film.folder import FilmFolder, fingerprint, key_of, write_text, writing


def test_a_file_appears_whole_or_not_at_all(tmp_path):
    target = tmp_path / "deep" / "page.html"
    write_text(target, "first")
    with pytest.raises(ZeroDivisionError), writing(target) as temporary:
        temporary.write_text(f"half {1 / 0}")
    assert target.read_text() == "first"
    with writing(target) as temporary:
        assert temporary.suffix == ".html"
        assert temporary.parent == target.parent
        temporary.write_text("second")
    assert target.read_text() == "second"
    assert list(target.parent.iterdir()) == [target]


def test_what_cannot_be_written_is_said_in_one_sentence(tmp_path):
    with (
        pytest.raises(OutputFailed, match=r"master.mov could not be written: No space left"),
        writing(tmp_path / "master.mov"),
    ):
        raise OSError(28, "No space left on device")
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_made_is_said_in_one_sentence(tmp_path):
    (tmp_path / "film").write_text("a file, where a folder should be")
    with pytest.raises(OutputFailed, match=r"page.html could not be written: \w"):
        write_text(tmp_path / "film" / "page.html", "words")
    with pytest.raises(OutputFailed, match=r"reports could not be written: Not a directory"):
        _ = FilmFolder(tmp_path / "film").reports
    assert (tmp_path / "film").read_text() == "a file, where a folder should be"


def test_media_in_the_neighbourhood_is_referred_to_from_there(tmp_path):
    clip = tmp_path / "card" / "a.mov"
    clip.parent.mkdir()
    clip.write_bytes(b"picture")
    folder = FilmFolder(tmp_path / "film")
    media = folder.refer(clip)
    assert media.path == "card/a.mov"
    assert folder.locate(media) == clip
    clip.unlink()
    with pytest.raises(InvalidInput, match="no longer there"):
        folder.locate(media)


def test_media_elsewhere_keeps_its_whole_path(tmp_path):
    clip = tmp_path / "a.mov"
    clip.write_bytes(b"picture")
    folder = FilmFolder(tmp_path / "films" / "waltz")
    assert folder.locate(folder.refer(clip)) == clip


def test_a_fingerprint_sees_size_head_middle_and_tail(tmp_path):
    path = tmp_path / "long"
    content = bytearray(8 << 20)
    seen = set()
    for change in (None, 0, 4 << 20, (8 << 20) - 1):
        changed = bytearray(content)
        if change is not None:
            changed[change] = 1
        path.write_bytes(changed)
        seen.add(fingerprint(path))
    path.write_bytes(content[:-1])
    seen.add(fingerprint(path))
    assert len(seen) == 5


def test_cache_keys_do_not_depend_on_the_order_of_names():
    assert key_of({"a": 1, "b": [2.5, None]}) == key_of({"b": [2.5, None], "a": 1})
    assert key_of({"a": 1}) != key_of({"a": 2})


def test_a_folder_without_a_film_is_said(tmp_path):
    with pytest.raises(NotAFilm, match="partsong new"):
        FilmFolder.at(tmp_path)


@pytest.mark.skipif(sys.platform == "win32", reason="no locks that a file can be removed under")
def test_what_a_killed_process_left_is_swept_at_once_and_what_is_being_written_stays(tmp_path):
    folder = FilmFolder(tmp_path)
    master = folder.masters / "master.mov"
    program = (
        "import sys, time\nfrom pathlib import Path\nfrom partsong.film.folder import writing\n"
        "with writing(Path(sys.argv[1])) as temporary:\n"
        "    temporary.write_bytes(b'half')\n    print('begun', flush=True)\n    time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", program, str(master)], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout.readline() == "begun\n"
        with writing(folder.cached("wide", "key", ".mov")) as ours:
            assert folder.sweep() == 0
            child.kill()
            child.wait()
            assert folder.sweep() == 1
            ours.write_text("whole")
    assert list(folder.masters.iterdir()) == []
    assert folder.cached("wide", "key", ".mov").read_text() == "whole"


def test_without_locks_what_was_not_touched_for_a_day_is_swept(tmp_path, monkeypatch):
    monkeypatch.setattr("partsong.film.folder._lock", lambda handle: None)
    folder = FilmFolder(tmp_path)
    yesterday, recent = (folder.masters / f".master.{n}.part.mov" for n in ("aaa", "bbb"))
    for path in (yesterday, recent):
        path.write_bytes(b"half")
    os.utime(yesterday, (time.time() - 90_000,) * 2)
    assert folder.sweep() == 1
    write_text(folder.masters / "master.mov", "whole")
    assert sorted(folder.masters.iterdir()) == sorted([recent, folder.masters / "master.mov"])
