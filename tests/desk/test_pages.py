"""The desk in a real browser, doing the work."""

from __future__ import annotations

import re
import shutil
import time
from fractions import Fraction

import pytest

from partsong.film.records import Crop, Finding, Region, Stage
from partsong.film.store import FilmStore
from partsong.timebase import Time


def placement(running, take):
    with FilmStore.open(running.film) as store:
        return store.head().film.placement_of(take)


def turn_to(page, running, path):
    page.goto(f"{running.address}/{path}")
    page.wait_for_selector(f"#sheet[data-ready='{re.split('[?]', path)[0] or 'home'}']")


def test_home_says_what_is_next_and_leads_there(page):
    assert page.locator("h1").inner_text() == "Two Strikes"
    assert "needs your ear" in page.locator(".next").inner_text()
    page.locator("a.go").click()
    page.wait_for_selector("#sheet[data-ready='lineup']")
    assert page.locator(".phases [aria-current]").inner_text().split("\n")[1] == "Line up"


def test_a_take_is_placed_by_nudges_of_the_keyboard_and_all_of_it_undone(page, running, tools):
    turn_to(page, running, "lineup?take=drum-1")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowLeft")
    expected = Fraction(3, 25) - Fraction(1, 1000)
    assert tools.waited(lambda: placement(running, "drum-1").start.seconds == expected)
    page.get_by_text("Starts at 00:00.12 (119.0 ms).").wait_for()
    assert placement(running, "drum-1").by_hand
    with FilmStore.open(running.film) as store:
        changes = len(store.history()) - 1
    assert changes >= 2  # frames that come while others are on their way are added up
    for _ in range(changes):
        page.keyboard.press("u")
    assert tools.waited(lambda: placement(running, "drum-1").start.seconds == 0)
    assert not placement(running, "drum-1").by_hand


def test_the_next_best_place_is_one_key_away(page, running, tools):
    turn_to(page, running, "lineup")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    assert "take=bell-1" in page.url  # a link to come back to
    page.keyboard.press("n")
    page.get_by_text("Candidate 1 of 2 starts at 00:00.20").wait_for()
    page.keyboard.press("n")
    page.get_by_text("Candidate 2 of 2 starts at 00:00.00").wait_for()
    assert placement(running, "bell-1").start is None  # looking decides nothing
    page.keyboard.press("Enter")
    assert tools.waited(lambda: placement(running, "bell-1").confidence == "sure")
    page.locator(".phases").get_by_text("2 of 2 takes placed").wait_for()


def test_a_take_is_dragged_along_the_song(page, running, tools):
    turn_to(page, running, "lineup")
    page.wait_for_selector("#sheet[data-waves='3']")
    box = page.locator(".row:has([data-take='drum-1']) .staff").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + box["width"] / 6, y, steps=4)
    page.mouse.up()
    assert tools.waited(lambda: placement(running, "drum-1").by_hand)
    # A sixth of three seconds; the mouse stands on whole pixels.
    pixel_s = 3 / box["width"]
    assert abs(float(placement(running, "drum-1").start) - 0.5) <= 1.5 * pixel_s


def test_a_song_and_a_take_are_listened_to(page, running):
    turn_to(page, running, "lineup?take=drum-1&at=0.2")
    with page.expect_response(re.compile("/listen")) as answer:
        page.locator("#listen").click()
    assert answer.value.status in (200, 206)
    page.wait_for_function("() => document.querySelector('audio').duration > 2")
    assert page.evaluate("() => document.querySelector('audio').volume") == 0.5


def test_a_change_made_elsewhere_shows_at_once(page, running):
    turn_to(page, running, "lineup")
    with FilmStore.open(running.film) as store:
        store.change("Renamed the song", lambda film: film.replace(song=film.song.replace(title="Three Strikes")))
    page.locator(".conductor .part", has_text="Three Strikes").wait_for()
    page.locator(".changed", has_text="Renamed the song").wait_for()


def test_a_stale_change_is_told_and_nothing_is_lost(page, running):
    turn_to(page, running, "lineup?take=drum-1")
    # What the page would send if somebody else were quicker.
    answer = page.evaluate(
        """async () => {
          const answer = await fetch("/api/lineup/takes/drum-1/nudge", {method: "POST",
            headers: {"Content-Type": "application/json"}, body: JSON.stringify({base: 999, frames: 1})});
          return {status: answer.status, ...(await answer.json()).error};
        }"""
    )
    assert answer["status"] == 409
    assert answer["kind"] == "Conflict"
    assert "changed elsewhere" in answer["sentence"]
    assert placement(running, "drum-1").start.seconds == 0


def test_masters_are_made_measured_and_watched(page, running, tools):
    turn_to(page, running, "signoff")
    assert "nothing to send" in page.locator(".verdict").inner_text()
    page.locator("#make").click()
    page.locator("progress").first.wait_for()
    page.locator(".master h2", has_text="two.mp4").wait_for(timeout=40_000)
    assert (running.film / "masters" / "two.mp4").is_file()
    assert "not measured for flashing" in page.locator(".curtain").inner_text()
    assert page.locator("video").count() == 0
    page.locator("#measure").click()
    page.locator(".findings").wait_for(timeout=20_000)
    head = page.locator(".findings thead").inner_text()
    assert head.strip().split("\t") == ["What was found", "Measured", "Limit", "Source"]
    assert page.locator(".findings tbody tr").count() > 8
    page.wait_for_function("() => document.querySelector('video')?.duration > 2.9")
    assert page.evaluate("() => document.querySelector('video').paused")  # nothing plays by itself


def test_a_master_is_made_as_one_of_the_films_crops(page, running):
    turn_to(page, running, "signoff")
    assert page.locator("#frame").is_hidden()
    with FilmStore.open(running.film) as store:
        store.change("Framed", lambda film: film.replace(crops=(Crop(shape="1:1"),)))
    page.locator("#frame").select_option("1:1")  # once it is seen: the page has heard of the change
    page.locator("#make").click()
    page.locator(".master h2", has_text="two-1x1.mp4").wait_for(timeout=40_000)
    assert [path.name for path in (running.film / "masters").iterdir()] == ["two-1x1.mp4"]


def test_a_job_is_watched_and_cancelled(page, running, tools, monkeypatch):
    from partsong.desk.api import signoff
    from partsong.watch import Watch

    def slow(folder, film, kinds, *, watch: Watch, crop):
        for number in range(2000):
            watch.tick("Painting the picture", number, 2000)
            time.sleep(0.02)

    monkeypatch.setattr(signoff, "make_masters", slow)
    turn_to(page, running, "signoff")
    page.locator("#make").click()
    page.locator(".job-words", has_text="Painting the picture").wait_for()
    page.locator(".job-words", has_text="left").wait_for()
    assert page.locator("progress").first.evaluate("(bar) => bar.max") == 2000
    page.locator("[data-cancel='masters']").click()
    page.locator(".voice", has_text="Stopped while painting the picture").wait_for()
    assert list((running.film / "masters").iterdir()) == []


def test_the_whole_desk_is_walked_by_keyboard(page, running):
    for digit, name in enumerate(["", "prepare", "shoot", "lineup", "stage", "look", "cut", "signoff"]):
        page.keyboard.press(str(digit))
        page.wait_for_selector(f"#sheet[data-ready='{name or 'home'}']")
        assert page.url == f"{running.address}/{name}"
        assert page.evaluate("() => document.activeElement.id") == "sheet"
        assert page.locator("h1").count() == 1
    page.keyboard.press("?")
    page.locator("#help[open]").wait_for()
    page.locator("#single").uncheck()
    page.keyboard.press("Escape")
    page.locator("h1").click()
    page.keyboard.press("1")  # single letters and digits are off now
    assert page.url == f"{running.address}/signoff"


def test_text_at_twice_the_size_needs_no_sideways_scrolling(page, running):
    for name in ("", "lineup?take=drum-1", "signoff", "cut", "shoot"):
        turn_to(page, running, name)
        page.evaluate("() => { document.documentElement.style.fontSize = '200%'; }")
        page.wait_for_timeout(150)
        wide = page.evaluate("() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]")
        assert wide[0] <= wide[1], name


def test_the_page_weighs_little_and_asks_nothing_of_other_places(browser, running):
    weight, asked = 0, set()
    page = browser.new_page()

    def count(answer):
        nonlocal weight
        asked.add(answer.url.partition("/enter")[0][: len(running.address)])
        if "/media/" not in answer.url and "/events" not in answer.url and answer.status == 200:
            weight += len(answer.body())

    page.on("response", count)
    page.goto(running.entrance)
    page.wait_for_selector("#sheet[data-ready]")
    for name in ("prepare", "lineup", "stage", "look", "signoff", "cut", "shoot?live=1"):
        turn_to(page, running, name)
    page.close()
    assert asked == {running.address}
    print(f"all pages together: {weight / 1000:.0f} kB")
    assert 20_000 < weight < 500_000


def cut(running):
    with FilmStore.open(running.film) as store:
        return [(shot.source, shot.start, shot.end) for shot in store.head().film.cut]


def test_a_shot_is_split_moved_joined_and_undone_by_keyboard(page, running, tools):
    turn_to(page, running, "cut")
    # 120 beats a minute, two to the bar, 25 frames a second: beats fall on frames 0, 12.5 (13), 25 ...
    assert page.locator(".bar-cell").count() == 3
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.get_by_text("The mark is at bar 2, beat 1").wait_for()
    page.keyboard.press("s")
    assert tools.waited(lambda: cut(running) == [("drum-1", 0, 25), ("drum-1", 25, 75)])
    page.get_by_text("Shot 2 of 2").wait_for()
    page.keyboard.press("Shift+ArrowRight")
    assert tools.waited(lambda: cut(running) == [("drum-1", 0, 26), ("drum-1", 26, 75)])
    page.get_by_text("from @26").wait_for()
    page.keyboard.press("j")
    assert tools.waited(lambda: cut(running) == [("drum-1", 0, 75)])
    for expected in (26, 25, None):
        page.keyboard.press("Control+z")
        starts = [0] if expected is None else [0, expected]
        assert tools.waited(lambda starts=starts: [start for _, start, _ in cut(running)] == starts)


def test_a_shot_shows_another_source_and_pictures_are_there(page, running, tools):
    turn_to(page, running, "lineup?take=bell-1")
    page.locator("#next").click()
    page.locator("#next").click()
    page.locator("#accept").click()
    page.locator(".phases").get_by_text("2 of 2 takes placed").wait_for()
    turn_to(page, running, "cut?frame=25")
    page.locator("#split").click()
    page.get_by_text("Shot 2 of 2").wait_for()
    page.locator("#source").select_option("bell-1")
    assert tools.waited(lambda: cut(running) == [("drum-1", 0, 25), ("bell-1", 25, 75)])
    page.locator(".cut-mark", has_text="bell-1").wait_for()
    page.wait_for_function("() => [...document.querySelectorAll('.span img')].every((one) => one.naturalWidth === 320)")


def test_the_take_log_is_written_on_the_contact_prints(page, running, tools):
    turn_to(page, running, "shoot")
    page.locator("#circle-drum-1").check()
    page.locator(".changed", has_text="Noted drum-1").wait_for()
    page.locator("#text-drum-1").fill("The second strike is late")
    page.locator("#text-drum-1").press("Enter")

    def logged():
        with FilmStore.open(running.film) as store:
            take = store.head().film.take("drum-1")
        return take.circled and take.notes == "The second strike is late"

    assert tools.waited(logged)
    page.reload()  # the page holds no truth of its own
    page.locator("#text-drum-1").wait_for()
    assert page.locator("#text-drum-1").input_value() == "The second strike is late"


def test_another_reference_is_chosen_and_a_clip_that_is_gone_is_told(page, running):
    shutil.rmtree(running.film.parent / "clips")
    turn_to(page, running, "shoot?take=bell-1")
    page.locator("#print-bell-1 .no-picture", has_text="cannot be read where it was").wait_for()
    page.locator("#choose-reference").click()
    page.locator("#print-bell-1 h2", has_text="bell-1, the reference").wait_for()
    with FilmStore.open(running.film) as store:
        assert store.head().film.stage.reference == "bell-1"


def test_what_was_found_is_drawn_and_held_against_the_reference_by_a_key(page, running, tools):
    def edit(film):
        found = Finding(
            take="bell-1", kind="prop moved", sentence="Something moved.", advice="Put it back.", verdict="look first",
            at=Time.of(Fraction(1)), region=Region(x=80, y=30, width=40, height=30), size=8.0, unit="px",
            was=Region(x=72, y=30, width=40, height=30), moved_px=(8.0, 0.0),
        )  # fmt: skip
        return film.replace(findings=(found,), stage=Stage(reference="drum-1"))

    with FilmStore.open(running.film) as store:
        store.change("Found", edit)
    turn_to(page, running, "shoot")
    page.locator("#print-bell-1 .marks rect").first.wait_for()
    page.locator("h1").click()
    page.keyboard.press("f")
    page.locator("#print-bell-1.large").wait_for()
    assert "finding=0" in page.url
    assert "/bell-1/25" in page.locator(".large img").get_attribute("src")  # the frame at which it was: one second in
    # The box lies over the share of the picture that the region is of the frame, and the arrow ends in its middle.
    shown, box, before = page.evaluate(
        """() => ["img", "rect.over:not([stroke-dasharray])", "rect.over[stroke-dasharray]"].map((one) =>
        document.querySelector(`.large .picture ${one}`).getBoundingClientRect().toJSON())"""
    )
    inside = [(box[side] - shown[side]) / shown[size] for side, size in (("x", "width"), ("y", "height"))]
    assert inside == pytest.approx([80 / 160, 30 / 90], abs=0.01)
    assert (box["x"] - before["x"]) / shown["width"] == pytest.approx(8 / 160, abs=0.01)
    way = page.locator(".large .marks path.over").get_attribute("d")
    (from_x, from_y), (to_x, to_y) = re.findall(r"(?:M|L)([\d.]+) ([\d.]+)", way)[:2]
    assert (float(to_x), float(to_y)) == (100, 45)
    assert float(from_x) < 100
    assert float(from_y) == 45
    page.keyboard.down("r")
    page.locator(".large .which", has_text="The reference, Drum").wait_for()
    assert "/drum-1/" in page.locator(".large img").get_attribute("src")
    page.keyboard.up("r")
    assert page.locator(".large .which").count() == 0
    assert "/bell-1/25" in page.locator(".large img").get_attribute("src")
    page.locator("#circle-bell-1").check()  # the log is at hand there too, and undone by a key
    page.locator(".changed", has_text="Noted bell-1").wait_for()
    page.locator("h1").click()
    page.keyboard.press("u")
    page.locator(".changed", has_text="Found").wait_for()
    page.wait_for_function("() => !document.querySelector('#circle-bell-1').checked")
    page.keyboard.press("Escape")
    page.locator(".print.large").wait_for(state="detached")
