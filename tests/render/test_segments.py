"""Segments are rendered once, kept under their keys, and never half."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest

from partsong.engine.local import Local
from partsong.errors import Cancelled, InvalidInput
from partsong.film.folder import FilmFolder
from partsong.render.segments import OneByOne, Segment, render, spans
from partsong.watch import Progress, Watch, silent


@dataclass
class Writer:
    """Writes which frames it was asked for; in this process only."""

    painted: list[int] = field(default_factory=list)
    fails_at: int | None = None

    def __call__(self, segment: Segment, path: Path, watch: Watch) -> None:
        path.write_text("half")
        for _ in watch.over(range(segment.first, segment.stop), total=segment.stop - segment.first, doing="Painting"):
            pass
        if segment.first == self.fails_at:
            raise InvalidInput("The paint is dry. Open another tin.")
        path.write_text(f"{segment.first} to {segment.stop}")
        self.painted.append(segment.first)


SEGMENTS = [Segment(f"key{span.start}", span.start, span.stop) for span in spans(25, 10)]


def rendered(folder, writer, watch=None):
    outputs = [(segment, folder.cached("wide", segment.key, ".txt")) for segment in SEGMENTS]
    render([(OneByOne(writer), [output]) for output in outputs], watch=watch or silent(), engine=Local(1))
    return [path for _, path in outputs]


def test_spans_cover_every_frame_once():
    for frames, length in ((25, 10), (1, 96), (96, 96), (97, 96)):
        cut = spans(frames, length)
        assert [frame for span in cut for frame in span] == list(range(frames))
        assert max(map(len, cut)) - min(map(len, cut)) <= 1
        assert max(map(len, cut)) <= length


def test_what_is_in_the_cache_is_not_painted_again(tmp_path):
    folder, writer = FilmFolder(tmp_path), Writer()
    paths = rendered(folder, writer)
    assert [path.read_text() for path in paths] == ["0 to 8", "8 to 16", "16 to 25"]
    paths[1].unlink()
    assert rendered(folder, writer) == paths
    assert writer.painted == [0, 8, 16, 8]


def test_a_failure_leaves_what_was_finished_and_nothing_half(tmp_path):
    folder = FilmFolder(tmp_path)
    with pytest.raises(InvalidInput, match="The paint is dry"):
        rendered(folder, Writer(fails_at=8))
    assert [path.name for path in (tmp_path / "cache" / "wide").iterdir()] == ["key0.txt"]


def test_a_stop_leaves_nothing_half(tmp_path):
    told: list[Progress] = []
    with pytest.raises(Cancelled):
        rendered(FilmFolder(tmp_path), Writer(), Watch(told.append, lambda: len(told) > 14))
    assert [path.name for path in (tmp_path / "cache" / "wide").iterdir()] == ["key0.txt"]


def test_progress_is_told_in_frames(tmp_path):
    told: list[Progress] = []
    rendered(FilmFolder(tmp_path), Writer(), Watch(told.append, lambda: False))
    assert told[-1] == Progress("Rendering", 25, 25)
    assert [progress.done for progress in told] == sorted(progress.done for progress in told)


@dataclass
class Together:
    """Writes all files of a batch from one pass."""

    passes: list[list[int]] = field(default_factory=list)

    def __call__(self, outputs, watch):
        del watch
        self.passes.append([segment.first for segment, _ in outputs])
        for _, path in outputs:
            path.write_text("painted")


def test_a_batch_is_painted_in_one_pass_as_far_as_it_is_missing(tmp_path):
    folder, painter = FilmFolder(tmp_path), Together()
    outputs = [(segment, folder.cached("wide", segment.key, ".txt")) for segment in SEGMENTS]
    outputs[1][1].write_text("there already")
    made = render([(painter, outputs), (painter, outputs)], watch=silent(), engine=Local(1))
    assert painter.passes == [[0, 16]]  # and never twice
    assert made == 8 + 9
    assert outputs[1][1].read_text() == "there already"
