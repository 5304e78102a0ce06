"""Panels on the Cut page: several pictures in one frame, chosen by hand and played as the master has them."""

from __future__ import annotations

from partsong.film.records import Panel, Shot
from partsong.film.store import FilmStore


def turn_to(page, running):
    page.goto(f"{running.address}/cut")
    page.wait_for_selector("#sheet[data-ready='cut']")


def shot_of(running) -> Shot:
    with FilmStore.open(running.film) as store:
        return store.head().film.cut[0]


def test_a_picture_is_put_beside_another_moved_and_taken_out(page, running, staged):
    turn_to(page, running)
    page.select_option("#beside", "bell-1")
    page.locator(".shot-panel strong", has_text="drum-1|bell-1").wait_for()
    assert shot_of(running).panels == ((Panel(source="drum-1"), Panel(source="bell-1")),)
    assert page.locator(".bar-cell .panels img").count() >= 2  # both are seen in the score
    page.locator("#panel-0-1").fill("0.75")
    page.locator(".shot-panel strong", has_text="bell-1(0.75,0.5)").wait_for()
    page.select_option("#beside", "wide")
    page.locator(".shot-panel strong", has_text="|wide").wait_for()
    assert [panel.source for panel in shot_of(running).panels[0]] == ["drum-1", "bell-1", "wide"]
    for left in ("drum-1", "wide"):
        page.locator(f".panel-tool button[aria-label^='Take it out: {left}']").click()
        page.wait_for_function(
            "(name) => !document.querySelector('.shot-panel strong').textContent.includes(name)", arg=left
        )
    assert shot_of(running) == Shot(source="bell-1", start=0, end=75)


def test_panels_play_side_by_side(page, running, staged, tools):
    with FilmStore.open(running.film) as store:
        # The drum's disc lies left of the middle in its picture, the bell's right of it: here they change sides.
        rows = ((Panel(source="bell-1", x=0.75), Panel(source="drum-1", x=0.25)),)
        store.change("Panels", lambda film: film.replace(cut=(Shot(source="bell-1", start=0, end=75, panels=rows),)))
    turn_to(page, running)
    tools.played_a_little(page)
    page.wait_for_timeout(400)
    seen = 255 * tools.seen_playing(page, 3).mean(axis=2)
    # Of 160 pixels the left panel has 80, and the black between them 2.
    left, middle, right = (round(at / 160 * seen.shape[1]) for at in (80, 81, 82))
    assert seen[:, middle - 1 : middle + 1].max() < 8
    for half in (seen[:, : left - 3], seen[:, right + 3 :]):
        bright = half > half.max() / 2
        assert bright.any()
        # The window is half as wide as the picture: the disc, 36 of 160 pixels across, fills 0.45 of it.
        assert 0.3 < bright.any(axis=0).mean() < 0.6
        assert 0.3 < bright.any(axis=1).mean() < 0.5  # 36 of 90 pixels high
