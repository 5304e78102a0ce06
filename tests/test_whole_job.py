"""The whole job on a small demo film, through the commands, and through what can happen to them on the way."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from skimage.metrics import peak_signal_noise_ratio

from partsong.demo import run
from partsong.demo.make import Truth
from partsong.film.folder import FilmFolder
from partsong.film.store import FilmStore
from partsong.media.check import decode_all
from partsong.media.picture import open_picture
from partsong.media.probe import probe
from partsong.watch import silent


@pytest.fixture(scope="module")
def material(tiny_film_material, tmp_path_factory) -> tuple[Path, Truth]:
    folder = tmp_path_factory.mktemp("demo")
    shutil.copytree(tiny_film_material.folder, folder, dirs_exist_ok=True)
    return folder, tiny_film_material.truth


def digests(folder: Path) -> dict[Path, str]:
    media = (path for name in ("song", "clips") for path in (folder / name).rglob("*") if path.is_file())
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in media}


@pytest.fixture(scope="module")
def originals(material) -> dict[Path, str]:
    return digests(material[0])


@pytest.fixture(scope="module")
def report(material, originals) -> run.Report:
    assert originals  # taken before the job begins
    folder, truth = material
    return run.carry(folder, truth, tell=lambda _: None)


def test_what_is_found_agrees_with_what_is_true(report):
    assert [held for held in report.held if not held.agrees] == []
    # The plan's places, nine clips, five cameras held against the reference, three masters, one cut.
    assert len(report.held) == 19


def test_every_phase_was_gone_through_in_the_order_of_the_work(report):
    first = {}
    for number, step in enumerate(report.steps):
        first.setdefault(step.phase, number)
    assert set(first) == {"prepare", "shoot", "lineup", "stage", "look", "cut", "signoff"}
    # The camera's encoding is said before takes are merged, so look begins early; all else stands in order.
    order = [phase for phase in sorted(first, key=first.__getitem__) if phase != "look"]
    assert order == ["prepare", "shoot", "lineup", "stage", "cut", "signoff"]


def test_there_is_something_to_watch_to_read_and_to_hand_over(report):
    suffixes = {path.suffix for path in report.made}
    assert {".mp4", ".mov", ".otio", ".edl", ".html", ".txt", ".svg", ".png"} <= suffixes
    masters = [path for path in report.made if path.suffix in (".mp4", ".mov")]
    for path in masters:
        decoded = decode_all(path, silent())
        assert decoded.even
        assert decoded.frames * 2000 - decoded.sound_samples in range(2000)  # 2000 samples a frame at 24


def whole_frame(report, suffix):
    """Return the master of the whole frame, not one of its crops."""
    (path,) = [path for path in report.made if path.suffix == suffix and path.stem == "boathouse-waltz"]
    return path


def test_the_upright_master_is_that_shape(report):
    (path,) = [path for path in report.made if path.stem.endswith("-9x16") and path.suffix == ".mp4"]
    picture = probe(path, FilmFolder(report.film).refer(path)).picture
    assert picture is not None
    assert picture.width * 16 == picture.height * 9 or picture.width < 396  # exact, but in very small pictures


def test_the_two_masters_show_the_same_picture(report):
    folder = FilmFolder(report.film)
    frames = [40, 200, 400]
    seen = []
    for suffix in (".mov", ".mp4"):
        path = whole_frame(report, suffix)
        picture = probe(path, folder.refer(path)).picture
        assert picture is not None
        with open_picture(path, picture) as reader:
            seen.append([planes.y.astype(float) / 2 ** (planes.bit_depth - 8) for planes in reader.read(frames)])
    for ten_bit, eight_bit in zip(*seen, strict=True):
        # 34 dB is the floor that signoff itself asks of an H.264 frame against its plan (docs/signoff.md).
        assert peak_signal_noise_ratio(ten_bit, eight_bit, data_range=219) > 34
        assert np.ptp(ten_bit) > 100  # there is a picture, not a flat field


def test_originals_are_as_they_were(material, originals, report):
    assert report.steps
    assert digests(material[0]) == originals


@contextlib.contextmanager
def started(*words: object) -> Iterator[subprocess.Popen[str]]:
    """Start a command as the leader of its own group of processes."""
    child = subprocess.Popen(
        [sys.executable, "-m", "partsong", *map(str, words)],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True,
    )  # fmt: skip
    try:
        yield child
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child.pid, signal.SIGKILL)
        child.communicate(timeout=60)


def wait_for(there: object, child: subprocess.Popen[str]) -> None:
    """Wait until something is there, while the command still runs."""
    until = time.monotonic() + 120
    while not there():  # type: ignore[operator]
        assert child.poll() is None, f"the command ended before it could be killed: {child.communicate()[0]}"
        assert time.monotonic() < until
        time.sleep(0.005)


def emptied(film: Path, *kinds: str) -> None:
    for kind in kinds:
        for path in (film / "cache" / kind).glob("*"):
            path.unlink()


def test_lineup_killed_in_the_middle_loses_nothing_and_finishes_when_run_again(report):
    film = report.film
    with FilmStore.open(film) as store:
        before = store.head()
    kept = {path.name for path in (film / "cache").iterdir()}
    assert "heard" in kept
    emptied(film, "heard")
    with started("lineup", "place", film) as child:
        wait_for(lambda: any((film / "cache" / "heard").glob("*")), child)
        os.killpg(child.pid, signal.SIGKILL)
        child.wait(timeout=60)
    with FilmStore.open(film) as store:
        assert store.head() == before
    with started("lineup", "place", film) as child:
        child.communicate(timeout=300)
    assert child.returncode in (0, 1)
    with FilmStore.open(film) as store:
        assert store.head().film.placements == before.film.placements


def test_a_master_killed_in_the_middle_leaves_none_and_comes_out_the_same(report):
    film = report.film
    master = whole_frame(report, ".mov")
    whole = master.read_bytes()
    master.unlink()
    emptied(film, "master-mezzanine")
    parts = film / "cache" / "master-mezzanine"
    with started("signoff", "master", film, "--kind", "mezzanine") as child:
        wait_for(lambda: any(path for path in parts.glob("*") if not path.name.startswith(".")), child)
        os.killpg(child.pid, signal.SIGKILL)
        child.wait(timeout=60)
    assert not master.exists()
    with FilmStore.open(film) as store:
        assert store.head().film.cut
    with started("signoff", "master", film, "--kind", "mezzanine") as child:
        said, _ = child.communicate(timeout=300)
    assert child.returncode == 0, said
    assert master.read_bytes() == whole


def test_a_command_that_is_interrupted_says_so_and_leaves_no_master(report):
    film = report.film
    master = whole_frame(report, ".mp4")
    whole = master.read_bytes()
    master.unlink()
    emptied(film, "master-h264")
    with started("signoff", "master", film, "--kind", "h264") as child:
        wait_for(lambda: any((film / "cache" / "master-h264").glob(".*")), child)
        os.killpg(child.pid, signal.SIGINT)
        said, _ = child.communicate(timeout=60)
    assert child.returncode == 130
    assert "Stopped" in said
    assert "Traceback" not in said
    assert not master.exists()
    assert not list((film / "cache" / "master-h264").glob(".*"))
    with started("signoff", "master", film, "--kind", "h264") as child:
        child.communicate(timeout=300)
    assert master.read_bytes() == whole
