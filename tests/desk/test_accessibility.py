"""Every page held to WCAG 2.2 AA as far as a program can (axe-core, tests/desk/axe/README.md), in two sizes, with
text twice as large, and walked through by keyboard.
"""

from __future__ import annotations

import hashlib
import json
from fractions import Fraction
from pathlib import Path

import pytest

from partsong.film.records import (
    Crop,
    Curve,
    Flicker,
    Leak,
    Mask,
    MaskKey,
    Oval,
    Panel,
    Part,
    Patch,
    Point,
    Shot,
    Stage,
)
from partsong.film.store import FilmStore
from partsong.timebase import Time

AXE = Path(__file__).parent / "axe" / "axe.min.js"
LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
PAGES = [
    "", "prepare", "shoot?take=drum-1&live=1", "lineup?take=bell-1", "stage?take=bell-1",
    "look?source=drum-1&beside=bell-1", "cut?frame=25&effects=1", "signoff",
]  # fmt: skip
RULES = "(levels) => axe.run(document, {runOnly: levels, resultTypes: ['violations']})"  # the rest is only counted
CUT_OFF = """() => [...document.querySelectorAll("#sheet *, #margin *, #foot *")].filter((one) => {
  const box = one.getBoundingClientRect();
  return one.matches("button, input, select, p, li, h1, h2, h3, label, a") && one.checkVisibility() && box.width > 0
    && !one.closest(".stage-picture, svg, .score, .scroll") && (box.left < -1 || box.right > innerWidth + 1);
}).map((one) => one.outerHTML.slice(0, 160))"""
# What a person without a mouse must reach, told apart by what it is called, since pages draw themselves anew.
NAMED = "(one) => one.id || one.getAttribute('aria-label') || one.dataset.handle || one.textContent"
PRESSABLE = f"""() => [...document.querySelectorAll("a[href], button, input, select, textarea, [tabindex='0']")]
  .filter((one) => one.checkVisibility() && !one.disabled && one.tabIndex >= 0 && !one.closest("dialog"))
  .map({NAMED})"""
FOCUSED = f"""() => {{ const one = document.activeElement, style = getComputedStyle(one);
  const line = one.querySelector(".line");
  const seen = style.outlineStyle !== "none" || parseFloat(style.strokeWidth) > 3 || one === document.body
    || line && parseFloat(getComputedStyle(line).strokeWidth) > 3;
  return [({NAMED})(one), seen]; }}"""
LARGE, SMALL = {"width": 1440, "height": 900}, {"width": 1024, "height": 768}


@pytest.fixture(scope="module")
def furnished(looked_at):
    """Put something on every page: layers with keys and a curve, a patch, a crossing, a take that asks, a crop."""
    bell = Oval(x=112, y=45, rx=30, ry=26)
    curve = Curve(points=tuple(Point(x=x, y=y) for x, y in ((20.0, 20.0), (60.0, 20.0), (60.0, 70.0), (20.0, 70.0))))

    def edit(film):
        gong = film.take("bell-1").replace(id="gong-1", part="gong")
        placed = [film.placement_of("drum-1").replace(take=name, start=Time.of(Fraction(0))) for name in ("gong-1",)]
        bells = film.placement_of("bell-1").replace(start=Time.of(Fraction(0)), confidence="ask")
        drum = film.placement_of("drum-1")
        return film.replace(
            parts=(*film.parts, Part(id="gong", name="Gong")),
            takes=(*film.takes, gong),
            placements=(drum, bells, *placed),
            stage=Stage(
                reference="drum-1",
                order=("drum-1", "bell-1", "gong-1"),
                masks=(
                    Mask(take="bell-1", shape=bell, keys=(MaskKey(frame=0, shape=bell), MaskKey(frame=40, shape=bell))),
                    Mask(take="gong-1", shape=curve, feather_px=8),
                ),
                patches=(Patch(source="bell-1", shape=Oval(x=30, y=60, rx=10, ry=10)),),
            ),
            crops=(Crop(shape="9:16"),),
            cut=(Shot(source="drum-1", start=0, end=75, panels=((Panel(source="drum-1"), Panel(source="bell-1")),)),),
            effects=(Flicker(start=0, end=25, dips=(0, 13), depth_stops=0.5), Leak(start=30, end=60)),
        )

    with FilmStore.open(looked_at.film) as store:
        store.change("Furnished every page", edit)
    crossing = {"take": "bell-1", "start": 0, "end": 9, "frame": 4, "box": [90, 20, 110, 40], "mends": True,
                "sentence": "bell-1 crosses."}  # fmt: skip
    kept = looked_at.film / "reports" / "crossings" / "crossings.json"
    kept.parent.mkdir(parents=True)
    kept.write_text(json.dumps([crossing]))
    return looked_at


@pytest.fixture
def open_page(browser, furnished):
    """Return a page on which a script of ours may be put in, past the desk's security policy."""
    context = browser.new_context(bypass_csp=True, reduced_motion="reduce", viewport=LARGE)
    page = context.new_page()
    page.goto(furnished.entrance)
    page.wait_for_selector("#sheet[data-ready]")
    yield page
    context.close()


def turned_to(page, furnished, name):
    page.goto(f"{furnished.address}/{name}")
    page.wait_for_selector(f"#sheet[data-ready='{name.partition('?')[0] or 'home'}']")


def broken_rules(page):
    found = page.evaluate(RULES, LEVELS)
    assert len(found["passes"]) > 10  # it did look
    return [(one["id"], one["nodes"][0]["html"][:160]) for one in found["violations"]]


def test_the_checker_is_the_one_that_is_named():
    assert hashlib.sha256(AXE.read_bytes()).hexdigest() in (AXE.parent / "README.md").read_text()


def test_no_page_breaks_a_rule_in_either_size_or_with_text_twice_as_large(open_page, furnished):
    broken = {}
    for name in PAGES:
        open_page.set_viewport_size(LARGE)
        turned_to(open_page, furnished, name)
        open_page.add_script_tag(path=AXE)
        broken[name] = broken_rules(open_page)
        open_page.set_viewport_size(SMALL)
        broken[f"{name}, small"] = broken_rules(open_page)
        # WCAG 2.2, 1.4.4: text may be made twice as large and nothing is lost.
        open_page.evaluate("() => { document.documentElement.style.fontSize = '200%'; }")
        broken[f"{name}, large text"] = broken_rules(open_page)
        broken[f"{name}, cut off"] = open_page.evaluate(CUT_OFF)
    broken = {name: found for name, found in broken.items() if found}
    assert not broken, json.dumps(broken, indent=1)


def test_the_list_of_keys_breaks_no_rule_and_keeps_the_focus(open_page):
    open_page.keyboard.press("?")
    open_page.locator("#help[open]").wait_for()
    open_page.add_script_tag(path=AXE)
    assert broken_rules(open_page) == []
    outside = "() => !(document.activeElement === document.body || document.activeElement.closest('#help'))"
    for _ in range(6):
        open_page.keyboard.press("Tab")
        assert not open_page.evaluate(outside)


@pytest.mark.parametrize("name", PAGES)
def test_tab_goes_through_a_page_from_end_to_end_and_is_seen(open_page, furnished, name):
    turned_to(open_page, furnished, name)
    wanted = set(open_page.evaluate(PRESSABLE))
    assert len(wanted) >= 8
    for _ in range(len(wanted) + 60):  # what gets the keyboard may offer more
        open_page.keyboard.press("Tab")
        here, seen = open_page.evaluate(FOCUSED)
        assert seen, f"it is not seen that this has the keyboard: {here}"
        wanted.discard(here)
        if not wanted:
            break
    assert not wanted
