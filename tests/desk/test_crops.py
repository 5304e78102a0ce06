"""Crops on the Sign off page in a real browser: framed, moved by hand and by key, taken away, all of it undone."""

from __future__ import annotations

from fractions import Fraction

import pytest

from partsong.errors import Conflict, InvalidInput
from partsong.film.store import FilmStore
from partsong.signoff.crops import window


def film_of(running):
    with FilmStore.open(running.film) as store:
        return store.head().film


def centre(running):
    return film_of(running).crop("9:16").centre("drum-1", 0)


@pytest.fixture
def framed(running, page):
    """Open the page, and let every shot be framed for 9:16."""
    page.goto(f"{running.address}/signoff")
    page.locator("#crop-shape").select_option("9:16")
    page.locator("#frame-crop").click()
    page.locator("[data-crop='9:16 0']").wait_for(timeout=60_000)
    return page


def test_a_window_lies_where_most_moves_and_is_drawn_where_the_master_takes_it(framed, running):
    x, y = centre(running)
    assert abs(x - 45 / 160) < 0.05  # the drum's disc sways about there
    left, top, width, height = window((160, 90), Fraction(1), (50, 90), (x, y))
    rect = framed.locator("[data-crop='9:16 0']")
    drawn = [float(rect.get_attribute(name)) for name in ("x", "y", "width", "height")]
    assert drawn == pytest.approx([2 * left, 2 * top, 2 * width, 2 * height])  # 320 across, the film 160
    assert "50 × 90" in framed.locator(".crop h3").inner_text()
    picture = framed.locator(".crop-frame img")
    framed.wait_for_function("() => document.querySelector('.crop-frame img').naturalWidth === 320")
    assert picture.get_attribute("src").startswith("/media/pictures/drum-1/37")
    assert "9:16" not in framed.locator("#crop-shape").inner_text()
    assert "cropped to 9:16" in framed.locator("#frame").inner_text()


def test_a_window_is_dragged_moved_by_keys_kept_within_the_picture_and_taken_back(framed, running, tools):
    page, before = framed, centre(running)
    rect = page.locator("[data-crop='9:16 0']")
    rect.scroll_into_view_if_needed()
    box = tools.box_of(page.locator(".crop-over"))
    mine = tools.box_of(rect)
    x, y = mine["x"] + mine["width"] / 2, mine["y"] + mine["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 0.25 * box["width"], y, steps=5)
    page.mouse.up()
    assert tools.waited(lambda: centre(running) != before)
    # The window itself moved by so much: from where it was, which is as near to its centre as it can be.
    was = 2 * (window((160, 90), Fraction(1), (50, 90), before)[0] + 25) / 320
    assert centre(running)[0] == pytest.approx(was + 0.25, abs=0.01)
    page.wait_for_function("() => document.activeElement.dataset?.crop === '9:16 0'")  # it is still held
    moved = centre(running)
    page.wait_for_timeout(300)
    page.keyboard.press("Shift+ArrowLeft")
    assert tools.waited(lambda: centre(running)[0] < moved[0] - 0.03)
    page.wait_for_timeout(300)
    page.keyboard.down("Shift")
    for _ in range(25):
        page.keyboard.down("ArrowRight")
    page.keyboard.up("ArrowRight")
    page.keyboard.up("Shift")
    assert tools.waited(lambda: centre(running)[0] == pytest.approx(1 - 25 / 160, abs=0.01))
    page.locator("h1").click()
    page.keyboard.press("u")
    assert tools.waited(lambda: centre(running)[0] < moved[0])
    page.locator("[data-drop='9:16']").click()
    assert tools.waited(lambda: film_of(running).crops == ())
    page.locator("#crop-shape option[value='9:16']").wait_for(state="attached")


def test_what_cannot_be_framed_is_said(desk):
    from partsong.desk.api import crops

    head = desk.head()
    with pytest.raises(InvalidInput, match="no crop '4:5'"):
        crops.drop(desk, crops.Drop(base=head.revision.number, shape="4:5"))
    with pytest.raises(Conflict):
        crops.move(desk, crops.Move(base=head.revision.number + 7, shape="4:5", start=0, x=0.5, y=0.5))
    with desk.editing(head.revision.number) as store:
        store.change("Took the cut away", lambda film: film.replace(cut=()))
    told = crops.crops(desk)
    assert "no cut yet" in told.in_the_way
    assert told.offered == ()
