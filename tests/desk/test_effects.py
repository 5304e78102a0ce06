"""Effects on the Cut page: added from the mark by hand, metered first, and shown as the master has them."""

from __future__ import annotations

import numpy as np
import pytest

from partsong.film.effects import played
from partsong.film.records import Film, Flicker, Leak, Shot, Stutter
from partsong.film.store import FilmStore
from partsong.render.effects import brightness, dimmed, on_encoded
from partsong.timebase import Rate

EFFECTS = (
    Stutter(start=5, end=17, again=(9, 13)),
    Flicker(start=30, end=42, dips=(30, 34), depth_stops=1.0),
    Leak(start=50, end=70, side="left", at=0.5, reach=0.7, colour=(0.8, 0.4, 0.1)),
)


@pytest.fixture
def with_effects(running, staged):
    with FilmStore.open(running.film) as store:
        store.change("Add effects", lambda film: film.replace(effects=EFFECTS))


def turn_to(page, running, path="cut"):
    page.goto(f"{running.address}/{path}")
    page.wait_for_selector("#sheet[data-ready='cut']")


def film_of(running) -> Film:
    with FilmStore.open(running.film) as store:
        return store.head().film


def test_an_effect_is_added_from_the_mark_and_taken_away(page, running):
    turn_to(page, running, "cut?frame=25")
    page.locator(".effects summary").click()
    page.locator("#effect-beats").fill("4")
    page.locator("#effect-depth").fill("1")
    ahead = page.locator(".effects .meter[role='status']")
    ahead.locator("p", has_text="twice in a second").wait_for()  # 120 beats a minute
    page.locator("#add-effect").click()
    page.locator(".effects summary", has_text="Effects: 1").wait_for()
    (effect,) = film_of(running).effects
    assert effect == Flicker(start=25, end=75, dips=(25, 38, 50, 63), depth_stops=1.0)
    # It is drawn under the bars that it lies in, and named where it begins.
    assert page.locator(".effect-line").count() > 0
    assert page.locator(".effect-line span").all_inner_texts() == ["flicker, 4 dips of 1 stop"]
    page.locator("[data-effect='1']").click()
    page.locator(".effects summary", has_text="none yet").wait_for()
    assert film_of(running).effects == ()


def test_what_flashes_too_much_is_said_before_and_added_only_all_the_same(page, running, staged):
    turn_to(page, running)
    page.locator(".effects summary").click()
    page.locator("#effect-beats").fill("4")
    page.locator("#effect-depth").fill("2")
    page.select_option("#effect-every", "1/4")
    page.locator("#add-effect", has_text="Add it all the same").wait_for()
    told = page.locator(".effects .meter[role='status']")
    assert "too much" in told.inner_text()
    assert "seizures" in told.inner_text()
    assert film_of(running).effects == ()
    page.locator("#add-effect").click()
    page.locator(".effects summary", has_text="Effects: 1").wait_for()
    # And the cut does not play without a warning since.
    page.locator("#play").click()
    warning = page.locator(".playing .curtain")
    warning.wait_for()
    assert "by themselves" in warning.inner_text()


def test_what_cannot_be_is_said_and_cannot_be_added(page, running):
    turn_to(page, running)
    page.locator(".effects summary").click()
    page.select_option("#effect-kind", "stutter")
    page.locator("#effect-beats").fill("1")
    page.locator(".effects p", has_text="no time to begin anew").wait_for()
    assert page.locator("#add-effect").is_disabled()
    assert page.locator("#effect-depth").is_hidden()
    page.select_option("#effect-every", "1/2")
    page.wait_for_function("() => !document.querySelector('#add-effect').disabled")


def test_the_page_computes_what_the_program_does(page, running):
    turn_to(page, running)
    film = Film(name="one", rate=Rate(num=25), cut=(Shot(source="wide", start=0, end=90),), effects=EFFECTS)
    told = page.evaluate(
        """async (effects) => {
            const { brightness, dimmed, shownAt } = await import("/static/lib/effects.js");
            return Array.from({ length: 90 }, (_, frame) =>
                [dimmed(effects, frame), brightness(effects[2], frame), shownAt(effects, frame)]);
        }""",
        [effect.model_dump(mode="json") for effect in EFFECTS],
    )
    leak = EFFECTS[2]
    assert isinstance(leak, Leak)
    shown_at = [seen for stretch in played(film) for seen in stretch.shown]
    assert len(shown_at) == 90
    for frame, (light, bright, shown) in enumerate(told):
        assert light == pytest.approx(dimmed(EFFECTS, frame), abs=1e-12), frame
        assert bright == pytest.approx(brightness(leak, frame), abs=1e-12), frame
        assert shown == shown_at[frame], frame


def test_light_is_shown_as_the_master_has_it(page, running, with_effects, tools):
    turn_to(page, running)
    tools.played_a_little(page)

    def at(frame: int, *, plain: bool) -> np.ndarray:
        page.evaluate(
            """async ([frame, effects]) => {
                const { effectLayers } = await import("/static/lib/effects.js");
                const canvas = document.querySelector(".playing canvas");
                const [again, dark, light] = ["again", "dark", "light"].map(
                    (name) => document.querySelector(`.playing .${name}`));
                const layers = effectLayers(canvas);
                layers.lay(effects, frame);
                const [, shade, leaks] = layers.elements;
                dark.style.opacity = shade.style.opacity;
                light.replaceChildren(...leaks.children);
                again.hidden = true;
            }""",
            [frame, [] if plain else [effect.model_dump(mode="json") for effect in EFFECTS[1:]]],
        )
        return tools.seen_playing(page, 2)

    for frame in (30, 31, 60):
        before, after = at(frame, plain=True), at(frame, plain=False)
        wanted = on_encoded(np.pad(before, ((2, 2), (2, 2), (0, 0))), EFFECTS[1:], frame)[2:-2, 2:-2]
        # Three codes of eight bits: the browser rounds each layer, and draws the leak in straight steps.
        assert abs(after - wanted).max() < 3.2 / 255, frame
        assert abs(after - before).max() > 0.1, frame


def test_a_stutter_is_seen_again_while_the_sound_goes_on(page, running, with_effects):
    turn_to(page, running)
    page.evaluate("""() => {
        window.taken = [];
        const look = () => {
            const again = document.querySelector(".playing .again");
            const video = document.querySelector(".playing video");
            if (again && video) window.taken.push([video.currentTime, !again.hidden]);
            requestAnimationFrame(look);
        };
        look();
    }""")
    page.locator("#play").click()
    page.locator(".playing .watch").click()
    page.wait_for_function("() => document.querySelector('.playing video').currentTime > 1.0")
    page.keyboard.press("x")
    taken = page.evaluate("() => window.taken")
    shown = [at for at, again in taken if again]
    # Frames 9 to 16 at 25 a second are shown again: from 0.36 s to 0.68 s, give or take what a late frame costs.
    assert shown
    assert min(shown) > 0.3
    assert max(shown) < 0.85
