from __future__ import annotations

import pickle

import pytest

from partsong.errors import Cancelled, UnreadableMedia
from partsong.watch import Progress, Watch, silent


def test_over_reports_each_item_and_the_end():
    heard: list[Progress] = []
    watch = Watch(heard.append, lambda: False)
    assert list(watch.over("ab", total=2, doing="Reading")) == ["a", "b"]
    assert heard == [Progress("Reading", done, 2) for done in (0, 1, 2)]


def test_over_stops_before_the_next_item_when_asked():
    stop = False
    watch = Watch(lambda _: None, lambda: stop)
    items = watch.over(range(10), total=10, doing="Counting")
    assert next(items) == 0
    stop = True
    with pytest.raises(Cancelled, match="Stopped while counting"):
        next(items)


def test_a_part_tells_its_progress_under_its_own_name_and_still_stops():
    heard: list[Progress] = []
    stop = False
    part = Watch(heard.append, lambda: stop).part("Placing waltz")
    part.tick("Listening", 1, 4)
    assert heard == [Progress("Placing waltz", 1, 4)]
    stop = True
    with pytest.raises(Cancelled):
        part.check("Listening")


def test_the_silent_watch_never_stops():
    assert list(silent().over(range(3), total=3, doing="x")) == [0, 1, 2]


@pytest.mark.parametrize("error", [Cancelled("Reading"), UnreadableMedia("a/b.mov", "it is empty", "Copy it again.")])
def test_errors_survive_the_way_from_a_worker(error):
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is type(error)
    assert str(back) == str(error)
