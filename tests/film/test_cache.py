"""The cache can be looked at and emptied; nothing else of the film is touched."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from partsong.cli.main import app
from partsong.errors import InvalidInput
from partsong.film.cache import clean, kept
from partsong.film.folder import FilmFolder
from partsong.film.records import Film
from partsong.film.store import FilmStore


@pytest.fixture
def folder(tmp_path: Path) -> FilmFolder:
    with FilmStore.create(tmp_path / "film", Film(name="Waltz"), "Made it") as store:
        folder = store.folder
    for kind, name, size, days in (("wide", "a", 3000, 20), ("wide", "b", 2000, 1), ("thumbs", "c", 100, 30)):
        path = folder.cached(kind, name, ".bin")
        path.write_bytes(bytes(size))
        then = time.time() - days * 24 * 3600
        os.utime(path, (then, then))
    (folder.masters / "song.mp4").write_bytes(b"mine")
    return folder


def test_each_kind_is_listed_with_its_size_the_largest_first(folder: FilmFolder) -> None:
    assert [(one.kind, one.files, one.size_bytes) for one in kept(folder)] == [("wide", 2, 5000), ("thumbs", 1, 100)]
    assert kept(folder)[0].unused_days == pytest.approx(1, abs=0.01)


def test_only_what_was_not_used_for_so_long_goes(folder: FilmFolder) -> None:
    assert [(one.kind, one.files) for one in clean(folder, unused_days=14)] == [("thumbs", 1), ("wide", 1)]
    assert [path.name for path in sorted((folder.root / "cache").rglob("*.bin"))] == ["b.bin"]


def test_only_the_kinds_named_go_and_nothing_outside_the_cache(folder: FilmFolder) -> None:
    being_written = folder.cached("wide", ".new.part", ".bin")
    being_written.write_bytes(b"half")
    clean(folder, kinds=("wide",))
    assert [path.name for path in (folder.root / "cache").rglob("*.bin")] == ["c.bin"]
    clean(folder)
    assert (folder.masters / "song.mp4").read_bytes() == b"mine"
    assert folder.database.is_file()


def test_a_kind_that_is_not_there_is_named_and_nothing_goes(folder: FilmFolder) -> None:
    with pytest.raises(InvalidInput, match=r"holds nothing of the kind 'wid'\. It holds: thumbs, wide"):
        clean(folder, kinds=("wide", "wid"))
    assert len(list((folder.root / "cache").rglob("*.bin"))) == 3


def test_the_command_lists_and_makes_room(folder: FilmFolder) -> None:
    def run(*words: str) -> str:
        result = CliRunner().invoke(app, ["film", "cache", str(folder.root), *words], catch_exceptions=False)
        assert result.exit_code == 0, result.output
        return result.stdout

    listed = run()
    assert "In all 3 files" in listed
    assert "1 day ago" in listed
    assert [one["kind"] for one in json.loads(run("--json"))] == ["wide", "thumbs"]
    assert "Removed 1 file, 0.0 MB." in run("--clean", "--kind", "thumbs")
    assert "In all 2 files" in run()
