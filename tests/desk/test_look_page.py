"""The Look page in a real browser: settings changed by key, scopes that follow, before and after, takes compared."""

from __future__ import annotations

import re

import pytest

from partsong.desk.api import look
from partsong.errors import InvalidInput
from partsong.film.store import FilmStore
from partsong.look import viewing


@pytest.fixture
def looking(running, page):
    """Open the page at a frame of the drum."""
    page.goto(f"{running.address}/look?source=drum-1&frame=10")
    page.wait_for_selector("#sheet[data-view]")
    return page


def film_of(running):
    with FilmStore.open(running.film) as store:
        return store.head().film


def lowest(page):
    """Return the darkest luma in percent, as the waveform tells it."""
    told = page.locator("[data-scope='waveform']").first.get_attribute("alt")
    return float(re.search(r"luma from (-?[\d.]+) to", told).group(1))


def scope_pixels(page, kind="waveform"):
    """Return a number that stands for all pixels of a scope."""
    return page.evaluate(
        """(kind) => { const one = document.querySelector(`[data-scope='${kind}']`);
        const flat = new OffscreenCanvas(one.naturalWidth, one.naturalHeight).getContext("2d");
        flat.drawImage(one, 0, 0);
        const data = flat.getImageData(0, 0, one.naturalWidth, one.naturalHeight).data;
        return data.reduce((sum, value) => (sum * 31 + value) % 2147483647, 7); }""",
        kind,
    )


def changed_from(page, view):
    page.wait_for_function("(before) => document.querySelector('#sheet').dataset.view !== before", arg=view)


def view_of(page):
    return page.locator("#sheet").get_attribute("data-view")


def test_a_black_level_is_set_its_scope_is_read_and_one_key_takes_it_back(looking, running, tools):
    page = looking
    view, before, drawn = view_of(page), lowest(page), scope_pixels(page)
    # The clip's ground is code 240 of 64 to 940: 0.201 of ACEScct (S-2016-001), 2^(17.52 x - 9.72) in light, which sRGB
    # (IEC 61966-2-1) shows at 12.1 %. Its darkest pixel may lie two codes lower: the clip is compressed.
    light = 2 ** (17.52 * (240 - 64) / 876 - 9.72)
    assert before == pytest.approx(100 * (1.055 * light ** (1 / 2.4) - 0.055), abs=0.3)
    page.get_by_label("What becomes 0 %").fill("6")
    page.keyboard.press("Enter")
    changed_from(page, view)
    assert film_of(running).look.black.level == (0.06, 0.06, 0.06)
    # The curve runs from the level to mid grey, which stays, so what lay between sinks by less than the level.
    assert before - 6 < lowest(page) < before - 2
    assert scope_pixels(page) != drawn
    page.keyboard.press("u")  # from within the field: a number takes no letters
    assert tools.waited(lambda: film_of(running).look.black is None)
    page.wait_for_function("(view) => document.querySelector('#sheet').dataset.view === view", arg=view)
    assert scope_pixels(page) == drawn
    assert page.get_by_label("What becomes 0 %").input_value() == "0"


def test_each_step_is_set_by_keys_alone(looking, running, tools):
    page = looking
    page.get_by_label("Brighter by").focus()
    for _ in range(3):
        page.keyboard.press("ArrowUp")
    assert tools.waited(lambda: film_of(running).look.exposure_stops == pytest.approx(0.15))
    page.keyboard.press("Tab")
    page.get_by_label("slope, blue").focus()
    page.keyboard.press("ArrowDown")
    assert tools.waited(lambda: film_of(running).look.cdl is not None)
    assert film_of(running).look.cdl.slope == (1.0, 1.0, 0.99)
    page.get_by_label("Black and white").focus()
    page.keyboard.press("ArrowDown")  # as-seen: by luminance
    assert tools.waited(lambda: film_of(running).look.black_and_white is not None)
    page.wait_for_function("() => document.querySelector('#mix').value === 'as-seen'")
    page.get_by_label("red", exact=True).fill("0.5")
    page.keyboard.press("Enter")
    assert tools.waited(lambda: film_of(running).look.black_and_white.red == 0.5)
    mix = film_of(running).look.black_and_white
    assert mix.red + mix.green + mix.blue == pytest.approx(1)
    page.locator("[data-sooner='cdl']").focus()
    page.keyboard.press("Enter")
    assert tools.waited(lambda: film_of(running).look.order[0] == "cdl")
    page.wait_for_function("() => document.querySelectorAll('.step')[1].dataset.step === 'cdl'")


def test_a_black_and_white_picture_has_no_colour_in_its_scope(looking, running, tools):
    page = looking
    view = view_of(page)
    page.get_by_label("slope, red").fill("1.6")
    page.keyboard.press("Enter")
    changed_from(page, view)
    coloured, view = scope_pixels(page, "vectorscope"), view_of(page)
    page.locator("#mix").select_option("even")
    changed_from(page, view)
    assert scope_pixels(page, "vectorscope") != coloured
    # In the picture that came, red, green and blue are one in every pixel, but for what JPEG rounds.
    apart = page.evaluate("""() => { const one = document.querySelector(".view-picture");
        const flat = new OffscreenCanvas(160, 90).getContext("2d"); flat.drawImage(one, 0, 0, 160, 90);
        const data = flat.getImageData(0, 0, 160, 90).data; let most = 0;
        for (let at = 0; at < data.length; at += 4)
          most = Math.max(most, Math.abs(data[at] - data[at + 1]), Math.abs(data[at + 2] - data[at + 1]));
        return most; }""")
    assert apart <= 2


def test_the_frame_as_recorded_shows_while_a_key_is_held(looking):
    page = looking
    view, caption = view_of(page), page.locator("figcaption")
    assert "through the look" in caption.inner_text()
    page.keyboard.down("o")
    changed_from(page, view)
    assert "as it was recorded" in caption.inner_text()
    recorded = 100 * (240 - 64) / 876  # the camera's own code
    assert lowest(page) == pytest.approx(recorded, abs=0.25)  # two codes
    page.keyboard.up("o")
    page.wait_for_function("(view) => document.querySelector('#sheet').dataset.view === view", arg=view)
    assert "through the look" in caption.inner_text()


def place_bell_with_drum(running):
    with FilmStore.open(running.film) as store:
        bell = store.head().film.placement_of("drum-1").replace(take="bell-1")
        others = tuple(one for one in store.head().film.placements if one.take != "bell-1")
        store.change("Placed", lambda film: film.replace(placements=(*others, bell)))


def test_two_takes_are_seen_side_by_side_and_one_is_graded(running, page, tools):
    place_bell_with_drum(running)
    page.goto(f"{running.address}/look?source=drum-1&frame=10")
    page.wait_for_selector("#sheet[data-view]")
    page.locator("[data-compare='bell-1']").click()
    page.locator("[data-source='bell-1'] .view-picture").wait_for()
    assert page.locator("[data-source='drum-1']").count() == 1
    assert "beside=bell-1" in page.url
    view = view_of(page)
    page.get_by_label("bell-1, green is multiplied by").fill("0.5")
    page.keyboard.press("Enter")
    changed_from(page, view)
    assert film_of(running).grade_of("bell-1").slope == (1.0, 0.5, 1.0)
    assert view_of(page).split()[0] == view.split()[0]  # the other one stays as it was
    page.keyboard.press("u")
    assert tools.waited(lambda: film_of(running).grade_of("bell-1") is None)


def test_a_take_is_matched_by_what_it_shows_alike_and_says_what_that_rests_on(running, page, tools):
    place_bell_with_drum(running)
    page.goto(f"{running.address}/look?source=drum-1")
    page.wait_for_selector("#sheet[data-view]")
    page.get_by_label("Match bell-1 to drum-1").click()
    # Both clips have one ground of the same code, in one light: nothing is to be multiplied, or nothing is told.
    page.wait_for_function("() => /bell-1: (By|Not known)/.test(document.querySelector('#voice').textContent)")
    match = film_of(running).stage.match_of("bell-1")
    assert match is not None
    assert match.gain == pytest.approx((1, 1, 1), abs=0.02)
    page.wait_for_function("(told) => document.querySelector('.grades').innerText.includes(told)", arg=match.sentence)
    focused = page.evaluate("() => document.activeElement.getAttribute('aria-label')")
    assert focused == "Match bell-1 to drum-1"  # where the keyboard was


def test_a_look_is_begun_and_keys_turn_through_the_takes(running, page, tools):
    with FilmStore.open(running.film) as store:
        store.change("No look", lambda film: film.replace(look=None))
    page.goto(f"{running.address}/look")
    page.wait_for_selector("#sheet[data-ready='look']")
    page.get_by_label("Written in").select_option("ACEScct")
    page.locator("#set-look").click()
    page.wait_for_selector("#sheet[data-view]")
    assert film_of(running).look.input_space == "ACEScct"
    page.locator("h1").click()
    page.keyboard.press("ArrowRight")
    page.wait_for_function("() => location.search.includes('frame=38')")  # one after the middle of 75
    page.keyboard.press("Shift+ArrowLeft")
    page.wait_for_function("() => location.search.includes('frame=25')")  # bars of two beats at 120 begin there


def test_tables_are_taken_by_name_only(desk):
    outside = desk.folder.root.parent / "clips" / "far.cube"
    outside.write_text("LUT_3D_SIZE 2\n")
    base = desk.head().revision.number
    for name in ("far.cube", "../clips/far.cube", str(outside)):
        with pytest.raises(InvalidInput, match="no table"):
            look.change(desk, look.SetLook(base=base, table=name))
    inverse = "LUT_1D_SIZE 2\n0.1 0.1 0.1\n1 1 1\n"
    (desk.folder.root.parent / "lifted.cube").write_text(inverse)
    assert look.look(desk).tables == ("lifted.cube",)
    look.change(desk, look.SetLook(base=base, table="lifted.cube"))
    told = look.look(desk)
    assert told.table.floor_percent == pytest.approx(10, abs=0.01)
    look.change(desk, look.SetLook(base=desk.head().revision.number, black="measured"))
    assert look.look(desk).whole.floor_percent == pytest.approx(0, abs=0.01)


@pytest.mark.parametrize("key", ["..", "0" * 31, "g" * 32, "0" * 32])
def test_pictures_of_views_are_found_by_their_key_only(desk, key):
    with pytest.raises((InvalidInput, look.NoSuchRecord)):
        look.drawn(desk, key, "waveform")
    with pytest.raises(InvalidInput):
        look.drawn(desk, "0" * 32, "../film")


def test_of_a_large_frame_every_second_pixel_is_measured(desk, monkeypatch):
    film = desk.head().film
    whole = viewing.view(desk.folder, film, source="drum-1", frame=10, way="look")
    assert viewing.view(desk.folder, film, source="drum-1", frame=10, way="look") == whole  # from the cache
    assert whole.every == 1
    for path in desk.folder.cached("views", whole.key, ".json").parent.iterdir():
        path.unlink()
    monkeypatch.setattr(viewing, "_MOST_PX", 80 * 45)
    half = viewing.view(desk.folder, film, source="drum-1", frame=10, way="look")
    assert half.every == 2
    assert half.limits.highest[3] <= whole.limits.highest[3]  # some of the same pixels, as they are
    assert half.limits.lowest[3] >= whole.limits.lowest[3]
    assert "second pixel" in look._in_words(half)[-1]
