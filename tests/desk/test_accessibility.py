"""Every page held to WCAG 2.2 AA as far as a program can: axe-core, tests/desk/axe/README.md."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

AXE = Path(__file__).parent / "axe" / "axe.min.js"
LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
PAGES = ["", "prepare", "shoot?take=drum-1&live=1", "lineup?take=bell-1", "stage", "look", "cut?frame=25", "signoff"]


@pytest.fixture
def open_page(browser, looked_at):
    """Return a page on which a script of ours may be put in, past the desk's security policy."""
    context = browser.new_context(bypass_csp=True, reduced_motion="reduce", viewport={"width": 1280, "height": 800})
    page = context.new_page()
    page.goto(looked_at.entrance)
    page.wait_for_selector("#sheet[data-ready]")
    yield page
    context.close()


def test_the_checker_is_the_one_that_is_named():
    assert hashlib.sha256(AXE.read_bytes()).hexdigest() in (AXE.parent / "README.md").read_text()


def test_no_page_breaks_a_rule(open_page, looked_at):
    broken = {}
    for name in PAGES:
        open_page.goto(f"{looked_at.address}/{name}")
        open_page.wait_for_selector(f"#sheet[data-ready='{name.partition('?')[0] or 'home'}']")
        open_page.add_script_tag(path=AXE)
        found = open_page.evaluate("(levels) => axe.run(document, {runOnly: levels})", LEVELS)
        assert len(found["passes"]) > 10  # it did look
        broken[name] = [(one["id"], one["nodes"][0]["html"][:160]) for one in found["violations"]]
    assert broken == {name: [] for name in PAGES}


def test_the_list_of_keys_breaks_no_rule_and_keeps_the_focus(open_page):
    open_page.keyboard.press("?")
    open_page.locator("#help[open]").wait_for()
    open_page.add_script_tag(path=AXE)
    found = open_page.evaluate("(levels) => axe.run(document, {runOnly: levels})", LEVELS)
    assert found["violations"] == []
    outside = "() => !(document.activeElement === document.body || document.activeElement.closest('#help'))"
    for _ in range(6):
        open_page.keyboard.press("Tab")
        assert not open_page.evaluate(outside)
