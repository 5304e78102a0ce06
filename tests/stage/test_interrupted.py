"""A merge whose files go bad or whose disk fills up while it runs: one sentence, nothing half, and on from there."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from partsong.engine.local import Local
from partsong.errors import InvalidInput, UnreadableMedia
from partsong.stage.steps import Merged, merge, propose
from partsong.watch import Watch, silent

FRAMES = 75  # 3 s at 25 a second, in 13 segments of 5 or 6


@pytest.fixture
def film(small, tmp_path, monkeypatch):
    monkeypatch.setattr("partsong.stage.steps.SEGMENTS_A_PASS", 4)
    clips = {name: small.Painted(small.players[name], frames=80) for name in ("cello", "oboe")}
    with small.made_film(tmp_path, clips, {}, song_s=3.0) as store:
        propose(store, silent())
        yield store


def segments(store) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (store.folder.root / "cache" / "wide").iterdir()}


def at_frame(number, act) -> Watch:
    """Return a watch that does something once, when so many frames are done."""
    done = []

    def report(progress) -> None:
        if progress.done >= number and not done:
            done.append(progress.done)
            act()

    return Watch(report, lambda: False)


def clip_of(store, take) -> Path:
    return store.folder.locate(store.head().film.take(take).clip.file)


def test_a_source_that_vanishes_is_named_and_the_merge_goes_on_once_it_is_back(film):
    clip = clip_of(film, "oboe")
    away = clip.with_suffix(".away")
    with pytest.raises(InvalidInput, match=rf"{clip.name} is no longer there\. Put the file back"):
        merge(film, at_frame(10, lambda: clip.rename(away)), engine=Local(1))
    # The pass that had its files open was finished, and no hidden file is left.
    assert len(segments(film)) == 4
    assert not [name for name in segments(film) if name.startswith(".")]
    away.rename(clip)
    merged = merge(film, silent(), engine=Local(1))
    assert merged.kept >= 4 * 5
    assert merged.made + merged.kept == FRAMES


def test_a_source_that_is_cut_off_is_named_and_what_was_made_of_it_before_is_what_it_would_be(film, tmp_path):
    clip = clip_of(film, "oboe")
    copy = tmp_path / "copy.mov"
    shutil.copy2(clip, copy)

    def cut_off() -> None:
        with clip.open("r+b") as file:
            file.truncate(clip.stat().st_size // 3)

    with pytest.raises(UnreadableMedia, match=rf"^{clip.name}: .*\. Copy "):
        merge(film, at_frame(8, cut_off), engine=Local(1))
    early = segments(film)
    assert early
    assert not [name for name in early if name.startswith(".")]
    shutil.copy2(copy, clip)
    assert merge(film, silent(), engine=Local(1)).kept > 0
    gone_on = segments(film)
    shutil.rmtree(film.folder.root / "cache" / "wide")
    assert merge(film, silent(), engine=Local(1)) == Merged(made=FRAMES, kept=0, left=0)
    assert gone_on == segments(film)


MERGE = """
import sys
from partsong.engine.local import Local
from partsong.errors import OutputFailed
from partsong.film.store import FilmStore
from partsong.stage.steps import merge
from partsong.watch import silent
with FilmStore.open(sys.argv[1]) as store:
    LIMIT
    try:
        merge(store, silent(), engine=Local(int(sys.argv[2])))
    except OutputFailed as problem:
        print(problem)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of the system on files")
def test_a_file_that_cannot_grow_is_named_and_nothing_is_left_of_it(film):
    # As a full disk does, the system refuses to write on; here beyond a size, which needs no disk of our own.
    limit = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))"
    program = MERGE.replace("LIMIT", limit)
    root = film.folder.root
    film.close()
    said = subprocess.run(
        [sys.executable, "-c", program, str(root), "1"], capture_output=True, text=True, check=True, timeout=60
    ).stdout
    assert "could not be written" in said
    assert "File too large. Make room or choose another place." in said
    assert ".part" not in said
    assert list((root / "cache" / "wide").iterdir()) == []


def disks() -> bool:
    """Say whether this account may mount a small disk in memory for itself."""
    words = ["unshare", "-rm", "mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", "/tmp"]
    try:
        return subprocess.run(words, capture_output=True, check=False, timeout=20).returncode == 0
    except OSError:
        return False


@pytest.mark.skipif(not disks(), reason="a disk of our own may not be mounted here")
def test_a_full_disk_is_told_and_the_merge_goes_on_once_there_is_room(film):
    root = film.folder.root
    film.close()
    program = MERGE.replace("LIMIT", "pass")
    wide, saved = root / "cache" / "wide", root.parent / "saved"
    wide.mkdir()
    saved.mkdir()
    mounted = (
        f"mount -t tmpfs -o size=100k tmpfs '{wide}' && '{sys.executable}' -c \"$0\" '{root}' 2; "
        f"cp -a '{wide}/.' '{saved}'"
    )
    said = subprocess.run(
        ["unshare", "-rm", "sh", "-c", mounted, program], capture_output=True, text=True, check=True, timeout=120
    ).stdout
    assert "No space left on device. Make room or choose another place." in said
    kept = list(saved.iterdir())
    assert kept
    assert not [path for path in kept if path.name.startswith(".")]
    for path in kept:
        path.rename(wide / path.name)
    from partsong.film.store import FilmStore

    with FilmStore.open(root) as store:
        merged = merge(store, silent(), engine=Local(1))
    assert merged.made + merged.kept == FRAMES
    assert merged.kept in range(5 * len(kept), 6 * len(kept) + 1)
