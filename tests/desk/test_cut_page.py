"""The Cut page in a real browser: the cut is played from the mark, after a warning where one is due."""

from __future__ import annotations

from fractions import Fraction

import pytest

from partsong.film.records import Mask, Oval, Shot, Stage
from partsong.film.store import FilmStore
from partsong.render.atlas import make_atlas
from partsong.signoff import steps as signoff
from partsong.timebase import Time
from partsong.watch import silent


@pytest.fixture
def cut_film(running):
    """Give the tiny film two placed takes on a stage, and a cut from one to the other."""

    def edit(film):
        bell = film.placement_of("bell-1").replace(confidence="sure", start=Time.of(Fraction(0)), candidates=())
        others = tuple(one for one in film.placements if one.take != "bell-1")
        mask = Mask(take="bell-1", shape=Oval(x=112, y=45, rx=30, ry=26), feather_px=10)
        return film.replace(
            placements=(*others, bell),
            stage=Stage(reference="drum-1", order=("drum-1", "bell-1"), masks=(mask,)),
            cut=(Shot(source="drum-1", start=0, end=25), Shot(source="bell-1", start=25, end=75)),
        )

    with FilmStore.open(running.film) as store:
        return store.change("Cut the film", edit).film


def turn_to(page, running, path):
    page.goto(f"{running.address}/{path}")
    page.wait_for_selector("#sheet[data-ready='cut']")


def paused(page):
    return page.evaluate("() => document.querySelector('.playing video').paused")


def test_the_cut_plays_from_the_mark_after_a_warning_and_any_key_stops_it(page, running, cut_film, tools):
    turn_to(page, running, "cut?frame=25")
    page.keyboard.press("Space")
    # Nothing is played before the small film exists, and that is made where it is missed.
    page.locator("#prepare-preview").click()
    page.locator(".voice", has_text="The preview is ready").wait_for(timeout=20_000)
    page.keyboard.press("Space")
    warning = page.locator(".playing .curtain")
    warning.wait_for()
    assert "not measured for flashing yet" in warning.inner_text()
    assert "seizures" in warning.inner_text()
    assert paused(page)
    page.keyboard.press("Enter")  # the button that lifts it has the keyboard
    page.locator(".sounding", has_text="Playing bar 2").wait_for()
    page.wait_for_function("() => document.querySelector('.playing video').currentTime > 1.2")
    page.keyboard.press("x")  # any key
    assert tools.waited(lambda: paused(page))
    # The mark is at the last beat that was heard; the film was not changed by the key.
    stopped = page.evaluate("() => document.querySelector('.playing video').currentTime")
    assert 1.0 < stopped < 3.0
    mark = int(page.url.rpartition("frame=")[2])
    assert mark in (25, 38, 50, 63)
    assert mark <= stopped * 25 < mark + 13.5
    with FilmStore.open(running.film) as store:
        assert store.head().film == cut_film
    page.keyboard.press("Space")  # once lifted, the warning stays away until something is known
    page.locator(".sounding", has_text="Playing").wait_for()
    page.keyboard.press("Tab")
    assert tools.waited(lambda: paused(page))


def test_the_shot_that_plays_is_the_one_that_is_seen(page, running, cut_film):
    with FilmStore.open(running.film) as store:
        make_atlas(store.folder, cut_film, silent())
    turn_to(page, running, "cut")
    page.locator("#play").click()
    page.locator(".playing .watch").click()
    page.locator(".sounding", has_text="Playing bar 1").wait_for()

    # The drum's disc lies left, the bell's right.
    def brighter_side():
        return page.evaluate("""() => { const from = document.querySelector(".playing canvas");
            const flat = new OffscreenCanvas(2, 1).getContext("2d"); flat.drawImage(from, 0, 0, 2, 1);
            const [left, , , , right] = flat.getImageData(0, 0, 2, 1).data;
            return left > right ? "left" : "right"; }""")

    assert brighter_side() == "left"
    page.locator(".sounding", has_text="Playing bar 2").wait_for()
    page.wait_for_function("() => document.querySelector('.playing video').currentTime > 1.2")
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(300)
    assert brighter_side() == "right"
    page.keyboard.press("Escape")
    assert page.locator(".playing").is_hidden()


def test_what_sign_off_found_decides_about_the_warning(page, running, cut_film, monkeypatch):
    with FilmStore.open(running.film) as store:
        make_atlas(store.folder, cut_film, silent())
        signoff.make_masters(store.folder, cut_film, ["h264"], watch=silent())
        assert signoff.flashing_of(store.folder, cut_film)[0] == "unknown"
        signoff.measure_film(store.folder, cut_film, watch=silent())
        state, sentence = signoff.flashing_of(store.folder, cut_film)
        assert state == "safe"
        assert "two.mp4" in sentence
        # The same master says nothing of another cut; a note on a take makes it no other.
        other = cut_film.replace(cut=(Shot(source="drum-1", start=0, end=75),))
        assert signoff.flashing_of(store.folder, other)[0] == "unknown"
        noted = cut_film.replace(takes=tuple(take.replace(notes="Late") for take in cut_film.takes))
        assert signoff.flashing_of(store.folder, noted)[0] == "safe"
    turn_to(page, running, "cut")
    page.keyboard.press("Space")
    page.locator(".sounding", has_text="Playing").wait_for()  # no warning is due
    page.keyboard.press("a")


def test_a_cut_whose_take_lost_its_place_is_still_shown(page, running, cut_film):
    with FilmStore.open(running.film) as store:
        store.change("Took the bell off", lambda film: film.replace(placements=film.placements[:-1]))
    turn_to(page, running, "cut")
    page.locator(".no-picture", has_text="not placed").first.wait_for()
    assert page.get_by_role("button", name="Bar 2: bell-1, not placed").count() == 1


def test_cameras_without_a_wide_are_cut_and_played(page, running, tools):
    def edit(film):
        takes = tuple(take.replace(kind="roaming") for take in film.takes)
        bell = film.placement_of("bell-1").replace(confidence="sure", start=Time.of(Fraction(0)), candidates=())
        placements = (*(one for one in film.placements if one.take != "bell-1"), bell)
        return film.replace(takes=takes, placements=placements, cut=())

    with FilmStore.open(running.film) as store:
        film = store.change("Took all cameras for coverage", edit).film
        make_atlas(store.folder, film, silent())
    page.goto(f"{running.address}/stage")
    page.wait_for_selector("#sheet[data-ready='stage']")
    assert "no wide to merge" in page.locator("#sheet").inner_text()
    assert page.locator("#propose").count() == 0
    turn_to(page, running, "cut")
    page.locator("#propose").click()
    page.locator(".bar-cell .span").first.wait_for()
    with FilmStore.open(running.film) as store:
        assert {shot.source for shot in store.head().film.cut} <= {"drum-1", "bell-1"}
    assert "wide" not in page.locator("#sheet select").first.inner_text()
    tools.played_a_little(page)
