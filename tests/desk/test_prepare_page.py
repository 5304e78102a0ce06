"""The Prepare page in a real browser: plans follow the numbers, the sheet prints, a distance is set and taken back."""

from __future__ import annotations

import re

import pytest

from partsong.film.store import FilmStore


def turn_to(page, running, path="prepare"):
    page.goto(f"{running.address}/{path}")
    page.wait_for_selector("#sheet[data-ready='prepare']")


def give(page, field, value):
    page.locator(f"#{field}").fill(value)
    page.locator(f"#{field}").press("Enter")


def distance(running, part):
    with FilmStore.open(running.film) as store:
        return store.head().film.part(part).distance_m


def test_the_day_is_drawn_as_a_score_and_follows_the_numbers(page, running):
    turn_to(page, running)
    page.get_by_text("It fits: done at").wait_for()
    assert page.locator(".day .row-name").all_text_contents() == ["The room", "Drum", "Bell"]
    # Rig 60 and plate 10 minutes: the first set-up begins at 10:10, 70 of the 9 hours that are drawn.
    page.locator("summary").click()
    assert (
        "10:10 to 10:35\t25\tLight for Drum; film the empty room in this light" in page.locator(".order").inner_text()
    )
    bars = [float(one.get_attribute("d")[1:].split()[0]) for one in page.locator(".day .bar").all()]
    first = page.locator(".day .outlined").nth(2)
    assert float(first.get_attribute("x")) - 0.5 == pytest.approx(bars[0] + (bars[1] - bars[0]) * 70 / 60, abs=0.2)
    give(page, "end", "12:00")
    page.get_by_text("It does not fit: it would end at").wait_for()
    assert "end=12" in page.url  # a link to come back to
    give(page, "together", "drum=window,bell=window")
    page.locator(".light-plan li", has_text="Light for Drum and Bell (window)").wait_for()
    page.reload()
    page.wait_for_selector("#sheet[data-ready='prepare']")
    assert page.locator("#end").input_value() == "12:00"
    give(page, "end", "25:61")
    page.locator(".missing .decide", has_text="'25:61' is not a time of day").wait_for()


def test_lamps_and_cards_are_added_up_and_drawn(page, running):
    turn_to(page, running)
    page.locator(".missing", has_text="The lamps are not given").wait_for()
    give(page, "lamps", "2000, 1500")
    # 16 A at 230 V, of which 80 % for hours: 2944 W (NFPA 70, 210.20(A), from memory).
    page.locator(".light-plan .decide", has_text="3500 W").wait_for()
    assert "2944 W" in page.locator(".light-plan").inner_text()
    give(page, "lamps", "650, 300")
    page.locator(".light-plan", has_text="It fits.").wait_for()
    give(page, "lamps", "bright")
    page.locator(".missing .decide", has_text="bright").wait_for()
    give(page, "rate", "400")
    give(page, "card", "4")
    # 400 Mbit/s for 3 s of song and 20 s around it: 1.15 GB a take, so 3 on 4 GB with a tenth free, and 10 on 4 cards.
    page.locator(
        ".cards-plan", has_text="Cards of 4 GB, a tenth of each kept free: 4, with 3 takes on each."
    ).wait_for()
    assert page.locator(".cards .card").count() == 4
    assert page.locator(".cards .filled").count() == 10


def test_the_sheet_opens_to_print_with_its_styles_and_nothing_else(page, running):
    turn_to(page, running, "prepare?rate=400&takes=3")
    with page.context.expect_page() as opened:
        page.locator("#sheet-to-print").click()
    sheet = opened.value
    sheet.wait_for_selector("h1")
    assert "Shoot sheet" in sheet.title()
    assert sheet.locator("td", has_text="Drum: 3 stage takes").count() == 1
    # Its own styles hold, though the desk's pages allow none inside.
    assert sheet.evaluate("() => getComputedStyle(document.querySelector('.box')).display") == "inline-block"
    answer = page.request.get(sheet.url)
    assert re.search(r"default-src 'none'; style-src 'unsafe-inline'", answer.headers["content-security-policy"])
    assert "script-src" not in answer.headers["content-security-policy"]
    sheet.close()


def test_a_distance_is_set_and_one_key_takes_it_back(page, running, tools):
    with FilmStore.open(running.film) as store:
        store.change("Took the takes off", lambda film: film.replace(placements=()))
    turn_to(page, running)
    page.locator(".missing", has_text="how far from the camera Bell will be").wait_for()
    give(page, "distance-bell", "3.5")
    assert tools.waited(lambda: distance(running, "bell") == 3.5)
    page.locator(".from-above .spot-name", has_text="Bell?").wait_for()  # on a ring: its direction is not known yet
    page.locator("h1").click()
    page.keyboard.press("u")
    assert tools.waited(lambda: distance(running, "bell") is None)
    page.locator(".missing", has_text="how far from the camera Bell will be").wait_for()


def test_the_distance_of_a_placed_part_is_not_pulled_from_under_it(page, running):
    turn_to(page, running)
    give(page, "distance-drum", "9")
    page.locator(".voice.wrong", has_text="partsong lineup distance").wait_for()
    assert distance(running, "drum") == 2.0
    assert page.locator("#distance-drum").input_value() == "2"


def plan(running):
    with FilmStore.open(running.film) as store:
        return store.head().film.plan


def test_a_stage_is_planned_by_hand_and_by_key(page, running, tools):
    turn_to(page, running)
    page.get_by_role("button", name="Plan its spot: Drum").click()
    page.locator(".as-filmed").wait_for()
    spot = page.locator("#spots-drum")
    assert "Drum: 0.00 m to the right, 4.00 m into the room" in spot.get_attribute("aria-label")
    # One key press is ten centimetres, with Shift half a metre.
    spot.focus()
    page.keyboard.press("ArrowRight")
    assert tools.waited(lambda: plan(running).spot_of("drum").x_m == 0.1)
    page.locator("#spots-drum[aria-label*='0.10 m to the right']").wait_for()
    assert page.evaluate("document.activeElement.id") == "spots-drum"  # the picture is a new one, the hand stays
    page.keyboard.press("Shift+ArrowDown")
    assert tools.waited(lambda: plan(running).spot_of("drum").y_m == 3.5)
    page.locator("#spots-drum[aria-label*='3.50 m into the room']").wait_for()
    # A hand drags it by as many pixels as the picture's scale makes of a metre.
    above = page.locator(".from-above")
    scale = (
        float(above.get_attribute("data-scale")) * above.bounding_box()["width"] / float(above.get_attribute("width"))
    )
    dot = page.locator("#spots-drum .spot").bounding_box()
    x, y = dot["x"] + dot["width"] / 2, dot["y"] + dot["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - scale, y - scale, steps=4)
    page.mouse.up()
    assert tools.waited(lambda: plan(running).spot_of("drum").x_m < 0)
    moved = plan(running).spot_of("drum")
    assert (moved.x_m, moved.y_m) == pytest.approx((-0.9, 4.5), abs=0.03)
    page.locator("h1").click()
    page.keyboard.press("u")
    assert tools.waited(lambda: plan(running).spot_of("drum").y_m == 3.5)


def test_lamps_are_planned_and_what_is_wrong_is_said(page, running, tools):
    turn_to(page, running)
    page.get_by_text("Plan spots first").wait_for()
    page.get_by_role("button", name="Plan its spot: Bell").click()
    page.get_by_role("button", name="Add a lamp for Bell").click()
    page.locator(".light-plan .said", has_text="Bell, lamp key-bell: 45° to the left of the camera").wait_for()
    page.locator(".light-plan .decide", has_text="The lamp key-bell stands in the picture").wait_for()
    give(page, "lamp-key-bell-x_m", "-3.5")
    page.locator(".light-plan .decide", has_text="stands in the picture").wait_for(state="detached")
    give(page, "lamp-key-bell-candela", "5000")
    page.locator(".light-plan .said", has_text="lx for a dome").wait_for()
    give(page, "lamp-key-bell-watts", "3000")
    page.locator(".light-plan .decide", has_text="3000 W").wait_for()
    # Taking a number out again is a change as well.
    give(page, "lamp-key-bell-watts", "")
    page.locator(".missing", has_text="The lamps are not given").wait_for()
    for name, metres in (("left_m", "5"), ("right_m", "5"), ("back_m", "6"), ("height_m", "2.2")):
        give(page, f"room-{name}", metres)
    page.locator(".stage-plan .decide", has_text="The lamp key-bell would not fit into the room").wait_for()
    assert plan(running).room.back_m == 6
    give(page, "camera-focal_mm", "50")
    assert tools.waited(lambda: plan(running).camera.focal_mm == 50)
    page.get_by_role("button", name="Take out the spot of Bell").click()
    page.get_by_text("Plan spots first").wait_for()
    assert tools.waited(lambda: plan(running).spots == plan(running).lamps == ())
