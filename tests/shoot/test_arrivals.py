"""Watching a folder: files that grow while they are watched, and are told of once, when they are whole."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from partsong.errors import Cancelled, InvalidInput
from partsong.film.store import FilmStore
from partsong.shoot import check, steps
from partsong.shoot.arrivals import Arrived, arrivals, watch_folder
from partsong.watch import Watch, silent

from .conftest import write_clip


def _until(seconds: float) -> Watch:
    end = time.monotonic() + seconds
    return Watch(lambda _: None, lambda: time.monotonic() > end)


def test_a_growing_file_is_told_of_once_and_only_when_it_is_whole(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    whole = write_clip(tmp_path / "whole.mov", seed=1, count=40).read_bytes()
    written_s: list[float] = []

    def write() -> None:
        with (folder / "a.mov").open("wb") as file:
            for start in range(0, len(whole), len(whole) // 8 + 1):
                file.write(whole[start : start + len(whole) // 8 + 1])
                file.flush()
                time.sleep(0.12)
        written_s.append(time.monotonic())

    writer = threading.Thread(target=write)
    writer.start()
    found: list[tuple[Path, float]] = []
    with contextlib.suppress(Cancelled):
        for path in arrivals(folder, _until(3.0), settled_s=0.3, every_s=0.05):
            found.append((path, time.monotonic()))
    writer.join()
    assert [path.name for path, _ in found] == ["a.mov"]
    assert found[0][1] >= written_s[0]


def test_a_pause_in_writing_is_no_end(tmp_path: Path) -> None:
    # Half a file that has settled has no index yet; it is tried, left alone, and told of when the rest has come.
    folder = tmp_path / "in"
    folder.mkdir()
    whole = write_clip(tmp_path / "whole.mov", seed=2, count=40).read_bytes()
    (folder / "b.mov").write_bytes(whole[: len(whole) // 2])

    def finish() -> None:
        time.sleep(0.8)
        (folder / "b.mov").write_bytes(whole)

    writer = threading.Thread(target=finish)
    writer.start()
    sizes = []
    with contextlib.suppress(Cancelled):
        for path in arrivals(folder, _until(2.5), settled_s=0.2, every_s=0.05):
            sizes.append(path.stat().st_size)
    writer.join()
    assert sizes == [len(whole)]


def test_what_stays_broken_is_told_of_and_hidden_files_are_not(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    (folder / ".part").mkdir(parents=True)
    (folder / "c.mov").write_bytes(b"\0" * 5000)
    (folder / ".part/d.mov").write_bytes(b"\0" * 5000)
    (folder / "e.txt").write_text("no clip")
    found = []
    with contextlib.suppress(Cancelled):
        for path in arrivals(folder, _until(1.2), settled_s=0.1, give_up_s=0.5, every_s=0.05):
            found.append(path.name)
    assert found == ["c.mov"]
    with pytest.raises(InvalidInput, match="is no folder"):
        next(arrivals(folder / "c.mov", _until(1)))


def test_arriving_clips_are_added_and_judged(tmp_path: Path, film: Path) -> None:
    folder = tmp_path / "in"
    write_clip(folder / "01 cajon/locked-off/a.mov", count=30)
    write_clip(folder / "misc/b.mov", seed=5)
    told: list[Arrived] = []
    with FilmStore.open(film) as store:
        end = time.monotonic() + 8
        watch = Watch(lambda _: None, lambda: len(told) == 2 or time.monotonic() > end)
        assert watch_folder(store, folder, told.append, watch, settled_s=0.1) == 2
        document = store.head().film
    assert [entry.added.takes for entry in told] == [("cajon-1",), ()]
    assert told[0].judged[0].take == "cajon-1"
    assert document.judgement_of("cajon-1") == told[0].judged[0].judgement
    assert "locked-off camera" in told[1].added.questions[0].question


def test_what_was_added_and_not_judged_is_judged_and_what_has_its_verdict_is_no_news(
    tmp_path: Path, film: Path
) -> None:
    folder = tmp_path / "in"
    for number, name in enumerate(("01 cajon/wide/a.mov", "01 cajon/wide/b.mov")):
        write_clip(folder / name, count=30, seed=number)
    told: list[Arrived] = []
    with FilmStore.open(film) as store:
        # A watch was killed when it had added the second clip, and was looking at it.
        steps.add(store, [folder], silent())
        check.check(store, ["cajon-1"], silent())
        end = time.monotonic() + 8
        watch = Watch(lambda _: None, lambda: bool(told) or time.monotonic() > end)
        assert watch_folder(store, folder, told.append, watch, settled_s=0.1) == 1
    assert [entry.path.name for entry in told] == ["b.mov"]
    assert [judged.take for judged in told[0].judged] == ["cajon-2"]


def test_a_take_that_cannot_be_checked_does_not_end_the_watch(
    tmp_path: Path, film: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "in"
    for number in range(2):
        write_clip(folder / f"01 cajon/wide/{number}.mov", count=30, seed=number)
    real = check.check

    def failing(store: FilmStore, takes: Sequence[str], watch: Watch) -> tuple[check.Judged, ...]:
        if takes == ["cajon-1"]:
            (folder / "01 cajon/wide/0.mov").unlink()
        return real(store, takes, watch)

    monkeypatch.setattr(check, "check", failing)
    told: list[Arrived] = []
    with FilmStore.open(film) as store:
        end = time.monotonic() + 8
        watch = Watch(lambda _: None, lambda: len(told) == 2 or time.monotonic() > end)
        watch_folder(store, folder, told.append, watch, settled_s=0.1)
    assert [len(entry.judged) for entry in told] == [0, 1]
    assert "is no longer there" in told[0].failed
    assert told[1].failed == ""
