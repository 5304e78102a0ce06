"""The Stage page in a real browser: ovals moved by hand and by key, layers put in order, all of it undone."""

from __future__ import annotations

import json
from fractions import Fraction

import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder
from partsong.film.records import Curve, Mask, MaskKey, Match, Oval, Point, Stage
from partsong.film.store import FilmStore
from partsong.render.atlas import make_atlas
from partsong.render.pixels import curve_outline
from partsong.render.shapes import STEP_PX, shape_at, travel_px
from partsong.stage import kept, keys, steps
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
        box = tools.box_of(page.locator(f"[data-handle='{name}']").first)
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


def test_added_light_is_seen_and_players_over_it_are_said_not_to_be(previewed, running, tools):
    page = previewed
    brighter = Match(take="bell-1", gain=(1.6, 1.6, 1.6), known=True)
    with FilmStore.open(running.film) as store:
        store.change("Brighter", lambda film: film.replace(stage=film.stage.replace(matches=(brighter,))))
    page.wait_for_selector(f"#sheet[data-revision='{revisions(running)}']")
    for method in ("light-sum", "combined"):
        page.locator(f"[data-method='{method}']").click()
        assert tools.waited(lambda: stage_of(running).method == method)  # noqa: B023
        if method == "light-sum":  # the preview is of another way to merge: it is gone until it is prepared
            page.locator("#prepare-preview").wait_for()
            assert not page.locator(".frame canvas").is_visible()
            assert page.locator("[data-oval]").count() == 0
            page.locator("#prepare-preview").click()
        page.locator("#prepare-preview").wait_for(state="detached", timeout=60_000)
        page.wait_for_selector("#sheet[data-preview='drawn']")
        assert page.locator(".frame canvas").is_visible()
        page.locator("#song").fill("20")
        page.wait_for_selector("#sheet[data-frame='20']")
        with FilmStore.open(running.film) as store:
            film = store.head().film
            masked, summed = (
                steps.merged_picture(store.folder, film.replace(stage=film.stage.replace(method=way)), 20)
                for way in ("masks", "light-sum")
            )
        seen = pixels(page)
        assert np.abs(summed - seen).mean() < 2
        assert np.abs(masked - seen).mean() > 6
        assert page.locator("#left-out").count() == (method == "combined")
    assert "is seen through" in page.locator("#left-out").inner_text()


def test_one_frame_is_seen_exactly_as_the_film_merges_it(previewed, running, tools):
    """The picture over the preview is the render's own, to the code."""
    page = previewed
    with FilmStore.open(running.film) as store:
        store.change("Summed", lambda film: film.replace(stage=film.stage.replace(method="light-sum")))
    page.locator("#prepare-preview").click()
    page.locator("#prepare-preview").wait_for(state="detached", timeout=60_000)
    page.wait_for_selector("#sheet[data-preview='drawn']")
    page.locator("#song").fill("20")
    page.wait_for_selector("#sheet[data-frame='20']")
    before = pixels(page)
    page.locator("#merge-frame").click()
    merged = page.locator(".frame .merged")
    merged.wait_for(timeout=60_000)
    assert page.locator("#merge-frame").get_attribute("aria-pressed") == "true"
    assert "frame 20, as the film merges it" in merged.get_attribute("alt")
    got = page.evaluate("""async () => { const one = document.querySelector(".merged"); await one.decode();
        const flat = new OffscreenCanvas(160, 90).getContext("2d"); flat.drawImage(one, 0, 0);
        return [one.naturalWidth, ...flat.getImageData(0, 0, 160, 90).data]; }""")
    assert got[0] == 160
    shown = np.array(got[1:]).reshape(90, 160, 4)[..., :3]
    with FilmStore.open(running.film) as store:
        film = store.head().film
        assert np.array_equal(shown, steps.merged_picture(store.folder, film, 20))
    assert not np.array_equal(shown, before)  # which the preview, of small pictures, is not
    page.keyboard.press("ArrowRight")
    assert tools.waited(lambda: not merged.is_visible())  # it is of that frame only
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("e")
    merged.wait_for()
    with FilmStore.open(running.film) as store:
        store.change("Through masks", lambda film: film.replace(stage=film.stage.replace(method="masks")))
    assert tools.waited(lambda: not merged.is_visible())  # and of that revision


def test_a_frame_that_is_not_there_is_not_merged(staged, desk):
    from partsong.desk.api import merged

    with pytest.raises(InvalidInput, match="Frame 3 is not merged from the film as it is now"):
        merged.merged(desk, "3")
    with pytest.raises(InvalidInput, match="'x' is no frame"):
        merged.merged(desk, "x")
    with pytest.raises(InvalidInput, match=r"no frame 75; it has the frames 0 to 74"):
        steps.merged_picture(desk.folder, staged, 75)


def test_too_many_layers_are_refused(staged, monkeypatch):
    from partsong.desk.api import stage

    monkeypatch.setattr(stage, "MOST_LAYERS", 1)
    with pytest.raises(InvalidInput, match="at most 1 layers; this stage has 2"):
        stage.runs_of(staged)


# --- moments, curves, views -----------------------------------------------------------------------


def stage_of(running):
    with FilmStore.open(running.film) as store:
        return store.head().film.stage


def settled(page, running):
    """Wait until the page shows the newest revision, drawn."""
    page.wait_for_selector(f"#sheet[data-revision='{revisions(running)}']")
    page.evaluate("() => new Promise((drawn) => requestAnimationFrame(() => setTimeout(drawn)))")


def told(page, words):
    page.wait_for_function("(words) => document.querySelector('#sheet').innerText.includes(words)", arg=words)


def test_an_oval_is_set_at_moments_moved_between_them_and_undone(staged, running, page, tools):
    page.goto(f"{running.address}/stage?frame=10")
    page.wait_for_selector("#sheet[data-ready='stage']")
    page.locator("#pin-bell-1").click()
    assert tools.waited(lambda: [key.frame for key in stage_of(running).mask_of("bell-1").keys] == [10])
    page.wait_for_selector("[data-key='10']")
    page.locator("h1").click()
    page.keyboard.press("Shift+ArrowRight")  # the bar that begins at frame 25
    page.wait_for_function("() => location.search.includes('frame=25')")
    page.locator("[data-oval='bell-1']").focus()
    page.keyboard.press("ArrowLeft")
    assert tools.waited(lambda: len(stage_of(running).mask_of("bell-1").keys) == 2)
    first, second = stage_of(running).mask_of("bell-1").keys
    assert (first.frame, first.shape.x, second.frame, second.shape.x) == (10, 112, 25, 111)
    page.wait_for_selector("[data-key='25'][aria-pressed='true']")
    page.get_by_label("this one at frame").fill("40")
    page.keyboard.press("Enter")
    assert tools.waited(lambda: [key.frame for key in stage_of(running).mask_of("bell-1").keys] == [10, 40])
    page.wait_for_function("() => location.search.includes('frame=40')")
    page.locator("h1").click()
    page.keyboard.press("Shift+K")
    page.wait_for_function("() => location.search.includes('frame=10')")
    page.locator("#unpin-bell-1").click()
    assert tools.waited(lambda: [key.frame for key in stage_of(running).mask_of("bell-1").keys] == [40])
    page.wait_for_function("() => !document.querySelector('[data-key=\"10\"]')")
    page.locator("h1").click()
    page.keyboard.press("u")
    assert tools.waited(lambda: [key.frame for key in stage_of(running).mask_of("bell-1").keys] == [10, 40])


@pytest.fixture
def curved(staged, running):
    """Give the bell a closed curve in the place of its oval."""
    points = tuple(Point(x=x, y=y) for x, y in ((90.0, 20.0), (140.0, 20.0), (145.0, 60.0), (100.0, 75.0)))

    def edit(film):
        mask = Mask(take="bell-1", shape=Curve(points=points), feather_px=10)
        return film.replace(stage=film.stage.replace(masks=(mask,)))

    with FilmStore.open(running.film) as store:
        return store.change("Drew a curve", edit).film.stage.mask_of("bell-1").shape


def test_a_curve_is_moved_point_by_point_by_hand_and_by_key(curved, running, page, tools):
    def points():
        return [(one.x, one.y) for one in stage_of(running).mask_of("bell-1").shape.points]

    page.goto(f"{running.address}/stage?take=bell-1")
    page.wait_for_selector("[data-handle='point-2']")
    page.locator("[data-handle='point-1']").focus()
    page.keyboard.press("ArrowDown")
    assert tools.waited(lambda: points()[1] == (140, 21))
    settled(page, running)
    assert page.evaluate("() => document.activeElement.dataset.handle") == "point-1"  # it is still held
    box = tools.box_of(page.locator("[data-handle='point-2']"))
    scale = page.locator(".frame .ovals").bounding_box()["width"] / 160
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 20 * scale, y, steps=3)
    page.mouse.up()
    assert tools.waited(lambda: points()[2][0] < 130)
    assert points()[2][0] == pytest.approx(125, abs=1)
    assert [points()[0], points()[3]] == [(90, 20), (100, 75)]  # the others stay
    settled(page, running)
    page.locator("[data-oval='bell-1']").focus()
    page.keyboard.press("ArrowRight")
    assert tools.waited(lambda: points()[0] == (91, 20))
    settled(page, running)
    for _ in range(3):
        page.locator("h1").click()
        page.keyboard.press("u")
    assert tools.waited(lambda: points() == [(one.x, one.y) for one in curved.points])


def test_the_page_draws_masks_as_the_render_defines_them(looked_at, browser):
    page = browser.new_page()
    page.goto(looked_at.entrance)
    curve = Curve(points=tuple(Point(x=x, y=y) for x, y in ((10.0, 20.0), (90.0, 12.0), (130.0, 70.0), (40.0, 80.0))))
    drawn = page.evaluate(
        "async (points) => (await import('/static/lib/masks.js')).outline(points).map(({x, y}) => [x, y])",
        [{"x": one.x, "y": one.y} for one in curve.points],
    )
    assert np.abs(np.array(drawn) - curve_outline(curve)).max() < 1e-9
    ends = (Oval(x=10, y=20, rx=30, ry=20, rotation_deg=-5), Oval(x=90, y=25, rx=40, ry=24, rotation_deg=20))
    keys = tuple(MaskKey(frame=frame, shape=shape) for frame, shape in zip((5, 30), ends, strict=True))
    mask = Mask(take="bell-1", shape=ends[0], keys=keys)
    for frame in (0, 5, 12, 29, 30, 60):
        shape = page.evaluate(
            "async ([shape, keys, frame]) => (await import('/static/lib/masks.js')).shapeAt(shape, keys, frame)",
            [ends[0].model_dump(), [key.model_dump() for key in keys], frame],
        )
        # The render moves a mask in quarters of a pixel, the page without steps.
        assert travel_px(Oval(**shape), shape_at(mask, frame)) <= STEP_PX
    page.close()


def test_a_bar_is_repeated_and_the_frame_is_seen_whole_or_in_full(previewed):
    page = previewed

    def width():
        return page.locator(".frame").bounding_box()["width"]

    page.locator("#actual").click()
    assert width() == pytest.approx(160, abs=1)  # a pixel of the film on one of the screen
    page.keyboard.press("f")
    assert width() > 400
    page.keyboard.press("Shift+ArrowRight")
    page.wait_for_function("() => location.search.includes('frame=25')")
    page.keyboard.press("b")
    assert page.locator("#repeat").get_attribute("aria-pressed") == "true"
    page.evaluate("""() => { window.seen = [];
        new MutationObserver(() => seen.push(Number(document.querySelector("#sheet").dataset.frame)))
          .observe(document.querySelector("#sheet"), {attributeFilter: ["data-frame"]}); }""")
    page.keyboard.press("Space")
    warning = page.locator("#sheet .curtain")
    warning.wait_for()
    assert "seizures" in warning.inner_text()
    assert page.evaluate("() => document.querySelector('video').paused")
    page.keyboard.press("Enter")  # the button that lifts it has the keyboard
    # The bar is frames 25 to 49, a second long: it comes round again.
    page.wait_for_function("() => seen.some((frame, place) => place && frame < seen[place - 1])", timeout=15_000)
    page.keyboard.press("Space")
    seen = page.evaluate("() => seen")
    assert min(seen) >= 25
    assert max(seen) < 50
    assert max(seen) - min(seen) >= 15


# --- what shows -----------------------------------------------------------------------------------


def test_seams_are_measured_and_drawn_where_they_lie(staged, running, page, tools):
    page.goto(f"{running.address}/stage")
    told(page, "Nobody has measured yet")
    page.locator("#make-seams").click()
    page.wait_for_selector("[data-seam]", state="attached", timeout=60_000)
    assert "between Drum and Bell" in page.locator(".shows").first.inner_text()
    path = page.locator("[data-seam]").get_attribute("d")
    points = np.array([pair.split() for pair in path.replace("Z", "").replace("M", "L").split("L")[1:]], float)
    # The lower take fills the frame, so both show alike where the bell's mask is one half: on its oval.
    away = np.hypot((points[:, 0] - BELL.x) / BELL.rx, (points[:, 1] - BELL.y) / BELL.ry)
    assert np.abs(away - 1).max() < 0.08  # two pixels of the small pictures
    assert np.ptp(points[:, 0]) > 40
    with FilmStore.open(running.film) as store:
        store.change("Renamed", lambda film: film.replace(name="Other"))
    told(page, "The film was changed since")
    page.keyboard.press("m")
    assert page.locator("[data-seam]").count() == 0  # to judge the picture without its marks


def test_crossings_are_found_stepped_to_and_mended_in_one_change(staged, running, page, tools):
    small = BELL.replace(rx=14, ry=14)

    def edit(film):
        return film.replace(stage=film.stage.replace(masks=(Mask(take="bell-1", shape=small, feather_px=4),)))

    with FilmStore.open(running.film) as store:
        store.change("Narrowed the mask", edit)
    page.goto(f"{running.address}/stage")
    told(page, "Nobody has looked yet")
    page.locator("#find-crossings").click()
    page.wait_for_selector("#mend", timeout=60_000)
    page.locator("h1").click()
    page.keyboard.press("c")
    page.wait_for_selector("[data-crossing='Bell']", state="attached")
    page.wait_for_function("() => location.search.includes('take=bell-1')")
    base = revisions(running)
    page.locator("#mend").click()
    assert tools.waited(lambda: revisions(running) == base + 1, 60)
    assert stage_of(running).mask_of("bell-1") != Mask(take="bell-1", shape=small, feather_px=4)


def test_a_patch_is_placed_laid_listed_and_taken_away(staged, running, page, tools):
    page.goto(f"{running.address}/stage")
    page.locator("#new-patch").click()
    page.keyboard.press("ArrowRight")  # it has the keyboard
    assert "Centre 81, 45" in page.locator("[data-oval='new-patch']").get_attribute("aria-label")
    page.get_by_label("Cover a fault from").select_option("bell-1")
    page.locator("#lay-patch").click()
    assert tools.waited(lambda: len(stage_of(running).patches) == 1, 30)
    patch = stage_of(running).patches[0]
    assert (patch.source, patch.shape.x, patch.shape.y, patch.start) == ("bell-1", 81, 45, None)
    page.locator("[data-patch='1']").click()
    assert tools.waited(lambda: stage_of(running).patches == ())
    page.locator("h1").click()
    page.keyboard.press("u")
    assert tools.waited(lambda: stage_of(running).patches == (patch,))


def test_the_way_to_merge_is_chosen_with_its_cost_and_what_goes_wrong_is_measured(staged, running, page, tools):
    page.goto(f"{running.address}/stage")
    assert "The quickest" in page.locator("#method-words").inner_text()
    page.locator("[data-method='combined']").click()
    assert tools.waited(lambda: stage_of(running).method == "combined")
    told(page, "ten times the work")
    page.locator("#weigh").click()
    page.locator("#weighed").wait_for(timeout=60_000)
    assert "no plate of the room in ambient light" in page.locator("#weighed").inner_text()
    page.locator("h1").click()
    page.keyboard.press("u")
    assert tools.waited(lambda: stage_of(running).method == "masks")


def test_the_report_files_of_a_page_are_read_from_their_own_folder_only(staged, running):
    folder = running.film / "reports" / "seams"
    folder.mkdir(parents=True)
    row = {"frame": 0, "when": "bar 1", "left": 0, "top": 0, "measure": {"times": 1, "step_percent": 1},
           "sentence": "", "weights_picture": "../../../secret.txt"}  # fmt: skip
    (folder / "seams.json").write_text(
        json.dumps({"picture": {"film_px": 1}, "seams": [{"one": "a", "other": "b", "looks": [row]}]})
    )
    with pytest.raises(InvalidInput, match="is gone"):
        kept.seams(FilmFolder.at(running.film))
    (folder / "seams.json").write_text("{")
    with pytest.raises(InvalidInput, match="cannot be read"):
        kept.seams(FilmFolder.at(running.film))


def test_moments_that_cannot_be_are_refused_and_the_last_one_taken_away_stays(staged, running):
    def edit(film):
        shapes = zip((10, 40), (BELL, BELL.replace(x=90)), strict=True)
        mask = Mask(take="bell-1", shape=BELL, keys=tuple(MaskKey(frame=at, shape=shape) for at, shape in shapes))
        return film.replace(stage=film.stage.replace(masks=(mask,)))

    with FilmStore.open(running.film) as store:
        store.change("Set at two moments", edit)
        for frame, to, why in ((10, 40, "another key at frame 40"), (10, 75, "frames 0 to 74"), (11, 12, "no key at")):
            with pytest.raises(InvalidInput, match=why):
                keys.move_key(store, "bell-1", frame, to)
        keys.remove_key(store, "bell-1", 10)
        left = keys.remove_key(store, "bell-1", 40).film.stage.mask_of("bell-1")
    assert (left.shape.x, left.keys) == (90, ())
