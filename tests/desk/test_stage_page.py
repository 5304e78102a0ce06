"""The Stage page in a real browser: ovals moved by hand and by key, layers put in order, all of it undone."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.film.records import Mask, Oval, Stage
from partsong.film.store import FilmStore
from partsong.render.atlas import make_atlas
from partsong.timebase import Time
from partsong.watch import silent

BELL = Oval(x=112, y=45, rx=30, ry=26)


@pytest.fixture
def staged(running):
    """Give the tiny film two layers."""

    def edit(film):
        bell = film.placement_of("bell-1").replace(confidence="sure", start=Time.of(Fraction(0)), candidates=())
        others = tuple(one for one in film.placements if one.take != "bell-1")
        stage = Stage(
            reference="drum-1", order=("drum-1", "bell-1"), masks=(Mask(take="bell-1", shape=BELL, feather_px=10),)
        )
        return film.replace(placements=(*others, bell), stage=stage)

    with FilmStore.open(running.film) as store:
        return store.change("Set the stage", edit).film


@pytest.fixture
def previewed(staged, running, page):
    """Open the page with the preview prepared."""
    with FilmStore.open(running.film) as store:
        make_atlas(store.folder, staged, silent())
    page.goto(f"{running.address}/stage")
    page.wait_for_selector("#sheet[data-preview='drawn']", timeout=15_000)
    return page


def oval(running):
    with FilmStore.open(running.film) as store:
        return store.head().film.stage.mask_of("bell-1").shape


def revisions(running):
    with FilmStore.open(running.film) as store:
        return store.head_number()


def pixels(page):
    got = page.evaluate("""() => { const from = document.querySelector("canvas");
        const flat = new OffscreenCanvas(160, 90).getContext("2d"); flat.drawImage(from, 0, 0, 160, 90);
        return [...flat.getImageData(0, 0, 160, 90).data]; }""")
    return np.array(got, float).reshape(90, 160, 4)[..., :3]


def test_an_oval_is_dragged_the_picture_follows_and_one_key_takes_it_back(previewed, running, tools):
    page = previewed
    before, base = pixels(page), revisions(running)
    box = page.locator(".frame .ovals").bounding_box()
    scale = box["width"] / 160
    x, y = box["x"] + 112.5 * scale, box["y"] + 45.5 * scale
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 30 * scale, y, steps=6)
    during = pixels(page)
    page.mouse.up()
    assert np.abs(during - before).max() > 40  # the bell's disc is half hidden while the hand is still down
    assert tools.waited(lambda: oval(running).x < 100)
    # The mouse stands on whole pixels of the screen, of which the film's are larger.
    assert abs(oval(running).x - 82) < 1
    assert (oval(running).rx, oval(running).ry) == (30, 26)
    assert revisions(running) == base + 1  # however many steps the hand made
    page.wait_for_selector(f"#sheet[data-revision='{base + 1}']")
    page.keyboard.press("u")
    assert tools.waited(lambda: oval(running).x == 112)
    page.wait_for_function("() => document.querySelector('[data-words]') && "
                           "document.querySelector('[data-words=bell-1]').textContent.includes('112, 45')")  # fmt: skip
    page.wait_for_timeout(400)
    assert np.abs(pixels(page) - before).max() <= 1


def test_an_oval_is_moved_made_larger_and_turned_by_keys(previewed, running, tools):
    page = previewed
    page.locator("[data-oval='bell-1']").focus()
    page.keyboard.press("ArrowLeft")
    assert tools.waited(lambda: oval(running).x == 111)
    page.keyboard.press("Shift+ArrowRight")
    assert tools.waited(lambda: oval(running).rx == 31)
    page.keyboard.press("Control+ArrowRight")
    assert tools.waited(lambda: oval(running).rotation_deg == 2)
    assert "turned 2°" in page.locator("[data-oval='bell-1']").get_attribute("aria-label")
    assert page.evaluate("() => document.activeElement.dataset.oval") == "bell-1"  # it is still held


def test_an_oval_is_turned_and_widened_by_its_handles(previewed, running, tools):
    page = previewed
    page.locator("[data-oval='bell-1']").focus()
    for name, hit in (("wide", lambda: oval(running).rx < 24), ("turn", lambda: abs(oval(running).rotation_deg) > 12)):
        box = page.locator(f"[data-handle='{name}']").first.bounding_box()
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] / 2 - 60, box["y"] + box["height"] / 2, steps=3)
        page.mouse.up()
        assert tools.waited(hit), name
    assert oval(running).x == 112


def test_the_soft_edge_is_set_and_seen(previewed, running, tools):
    page = previewed
    before = pixels(page)
    page.get_by_label("Soft edge").fill("40")
    page.get_by_label("Soft edge").press("Tab")

    def feather():
        with FilmStore.open(running.film) as store:
            return store.head().film.stage.mask_of("bell-1").feather_px

    assert tools.waited(lambda: feather() == 40)
    assert np.abs(pixels(page) - before).max() > 10


def test_the_preview_is_prepared_on_the_page_and_shows_one_take(staged, running, page):
    page.goto(f"{running.address}/stage")
    page.wait_for_selector("#sheet[data-ready='stage']")
    page.locator("#prepare-preview").click()
    page.wait_for_selector("#sheet[data-preview='drawn']", timeout=30_000)
    merged = pixels(page)
    page.locator("[data-show='bell-1']").click()
    page.wait_for_function("() => location.search.includes('show=bell-1')")
    page.wait_for_timeout(400)
    assert np.abs(pixels(page) - merged).max() > 40  # the drum's disc is not in the bell's take
    assert page.locator("[data-oval]").count() == 0
    assert page.evaluate("() => document.querySelector('video').paused")  # nothing plays by itself


def test_without_webgl_the_page_says_so(staged, running, browser):
    page = browser.new_page()
    page.add_init_script("HTMLCanvasElement.prototype.getContext = () => null")
    page.goto(running.entrance)
    page.goto(f"{running.address}/stage")
    page.wait_for_selector("#sheet[data-ready='stage']")
    assert "no WebGL 2" in page.locator("#stand-in").inner_text()
    assert page.locator("[data-oval]").count() == 1  # ovals can be moved all the same
    page.close()


def test_a_sum_of_light_is_said_not_to_be_shown(staged, running, page):
    with FilmStore.open(running.film) as store:
        store.change("Summed", lambda film: film.replace(stage=film.stage.replace(method="light-sum")))
    page.goto(f"{running.address}/stage")
    assert "through its mask instead" in page.locator("#method").inner_text()


def test_too_many_layers_are_refused(staged, monkeypatch):
    from partsong.desk.api import stage

    monkeypatch.setattr(stage, "MOST_LAYERS", 1)
    with pytest.raises(InvalidInput, match="at most 1 layers; this stage has 2"):
        stage.runs_of(staged)
