"""The Line up page in a real browser: note starts side by side, placing all takes, and stopping that."""

from __future__ import annotations

import re
import time

import numpy as np
import pytest

from partsong.film.store import FilmStore
from partsong.lineup import steps


def turn_to(page, running, path):
    page.goto(f"{running.address}/{path}")
    page.wait_for_selector(f"#sheet[data-ready='{re.split('[?]', path)[0]}']")


def head(running):
    with FilmStore.open(running.film) as store:
        return store.head()


def hills(page, number):
    """Return the points of one of the two rows of hills: (n, 2) in pixels of the strip."""
    drawn = page.locator(".close-up .wave").nth(number).get_attribute("d")
    return np.array([[float(one) for one in pair.split()] for pair in re.findall(r"[\d.-]+ [\d.-]+", drawn)])


def tops(points, middle, below):
    """Return where the high hills of a row stand."""
    size = (points[:, 1] - middle) * (1 if below else -1)
    inner = np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] > 0.6 * size.max())) + 1
    return points[inner, 0]


def test_note_starts_stand_on_each_other_where_the_take_is_right(page, running, tools):
    turn_to(page, running, "lineup?take=drum-1")
    page.wait_for_selector("#sheet[data-starts='drum-1']")
    strip = page.locator(".close-up svg")
    assert "in bars 1 and 2: the mix above the line, the camera below it" in page.locator(".close-up").inner_text()
    wide, middle = (float(strip.get_attribute(name)) for name in ("width", "height"))
    middle /= 2
    # Two bars are two seconds from the song's start. The strikes are at known times; a window is 32 ms long.
    expected = [at_s / 2 * wide for at_s in tools.strikes_s if at_s < 1.9]
    pixel_s = 2 / wide
    for number, below in ((0, False), (1, True)):
        found = tops(hills(page, number), middle, below)
        for at in expected:
            assert np.abs(found - at).min() * pixel_s < 0.02, (number, at)
    # Moved by five frames, the camera's hills move by 0.2 s under the record's, before the film even knows.
    before = [tops(hills(page, number), middle, number == 1) for number in (0, 1)]
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    page.get_by_text("Starts at 00:00.20 (200.0 ms)").wait_for()
    after = [tops(hills(page, number), middle, number == 1) for number in (0, 1)]
    assert after[0] == pytest.approx(before[0])
    assert (after[1][0] - before[1][0]) * pixel_s == pytest.approx(0.2, abs=1e-3)


def test_the_mark_of_the_strip_is_moved_by_key_and_candidates_are_drawn_in_it(page, running):
    turn_to(page, running, "lineup?take=drum-1")
    page.wait_for_selector("#sheet[data-starts='drum-1']")
    page.keyboard.press(".")
    page.locator(".close-up", has_text="in bars 2 and 3").wait_for()
    assert "at=1.000" in page.url  # a link to come back to
    page.keyboard.press(",")
    page.locator(".close-up", has_text="in bars 1 and 2").wait_for()
    page.keyboard.press("ArrowDown")
    page.wait_for_selector("#sheet[data-starts='bell-1']")
    assert page.locator(".close-up").count() == 0  # it has no place yet
    page.keyboard.press("n")
    page.locator(".close-up").wait_for()
    first = hills(page, 1)
    page.keyboard.press("n")
    page.get_by_text("Candidate 2 of 2").first.wait_for()
    second = hills(page, 1)
    wide = float(page.locator(".close-up svg").get_attribute("width"))
    # The candidates lie 0.2 s apart, and the strip holds two seconds.
    moved = tops(first, 66, True)[0] - tops(second, 66, True)[0]
    assert moved / wide * 2 == pytest.approx(0.2, abs=0.011)


def test_all_takes_are_placed_and_one_key_takes_it_back(page, running, tools):
    with FilmStore.open(running.film) as store:
        before = store.head()
    turn_to(page, running, "lineup")
    page.get_by_role("button", name="Place all takes").click()
    page.locator(".voice", has_text="Placing takes on the song: Placed").wait_for(timeout=40_000)
    after = head(running)
    assert after.revision.number == before.revision.number + 1
    # Both clips carry the song's own strikes from its start on, heard a moment later.
    assert float(after.film.placement_of("bell-1").candidates[0].start) == pytest.approx(0, abs=0.03)
    page.locator(".changed", has_text="Placed").wait_for()
    page.keyboard.press("u")
    assert tools.waited(lambda: head(running).film == before.film)


def test_placing_is_cancelled_and_the_film_stays_as_it_was(page, running, tools, monkeypatch):
    real = steps.place

    def slow(store, takes, *, watch):
        for number in range(500):
            watch.tick("Listening to drum.mov", number, 500)
            time.sleep(0.02)
        return real(store, takes, watch=watch)

    monkeypatch.setattr(steps, "place", slow)
    before = head(running)
    turn_to(page, running, "lineup")
    page.get_by_role("button", name="Place all takes").click()
    page.locator(".job-words", has_text="Listening to drum.mov").wait_for()
    page.locator("[data-cancel='place']").click()
    page.locator(".voice", has_text="Stopped while listening").wait_for()
    assert page.locator("progress").count() == 0
    assert head(running).revision.number == before.revision.number
