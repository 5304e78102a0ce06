"""The live check in a real browser, with a camera that plays a clip of the room: nudged by a known way, or not."""

from __future__ import annotations

import http.client
import json
import os
import re
import shutil
from urllib.parse import urlparse

import cv2
import numpy as np
import pytest

from partsong.desk.api import live
from partsong.desk.api.live import GreyPicture
from partsong.errors import InvalidInput
from partsong.film.records import Stage, Take
from partsong.film.store import FilmStore
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.timebase import Rate

WIDTH, HEIGHT, RIM, FRAMES = 640, 360, 20, 8


@pytest.fixture(scope="module")
def room():
    """Return a room with things in it, larger than the frame by a rim on all sides; values from 0 to 1."""
    rng = np.random.default_rng(12)
    picture = np.full((HEIGHT + 2 * RIM, WIDTH + 2 * RIM), 0.35, np.float32)
    for _ in range(60):
        corner = rng.integers(0, [WIDTH, HEIGHT])
        far = corner + rng.integers(12, 120, 2)
        cv2.rectangle(picture, corner.tolist(), far.tolist(), float(rng.uniform(0.1, 0.8)), -1)
    return cv2.GaussianBlur(picture, (0, 0), 0.8)


def seen(room, right, down, number, rng):
    """Return a frame of the room: things lie this much further right and down; a player sways; there is noise."""
    frame = room[RIM - down : RIM - down + HEIGHT, RIM - right : RIM - right + WIDTH].copy()
    cv2.circle(frame, (200 + 12 * number, 190), 40, 0.7, -1)
    return frame + rng.normal(0, 0.01, frame.shape)


@pytest.fixture
def filmed(room, running):
    """Give the film a take of the room as the reference."""
    path = running.film.parent / "clips" / "room.mov"
    rng = np.random.default_rng(1)
    with PictureWriter(path, RECIPES["camera"], width=WIDTH, height=HEIGHT, rate=Rate(num=25), threads=1) as writer:
        for number in range(FRAMES):
            y = np.rint(64 + 876 * np.clip(seen(room, 0, 0, number, rng), 0, 1)).astype(np.uint16)
            grey = np.full((HEIGHT, WIDTH // 2), 512, np.uint16)
            writer.write(Planes(y, grey, grey, 10, "bt709", "limited"))
    with FilmStore.open(running.film) as store:
        take = Take(id="room-1", kind="stage", part="drum", clip=probe(path, store.folder.refer(path)))
        store.change("Added the room", lambda film: film.replace(
            takes=(*film.takes, take), stage=Stage(reference="room-1")))  # fmt: skip
    return running


def camera_clip(path, room, right, down):
    """Write what a camera gives now as uncompressed video (YUV4MPEG2), in a dimmer light than the reference's."""
    rng = np.random.default_rng(2)
    with path.open("wb") as out:
        out.write(f"YUV4MPEG2 W{WIDTH} H{HEIGHT} F25:1 Ip A1:1 C420jpeg\n".encode())
        for number in range(FRAMES):
            light = 0.8 * np.clip(seen(room, right, down, FRAMES - number, rng), 0, 1)
            y = np.rint(16 + 219 * light).astype(np.uint8)
            out.write(b"FRAME\n" + y.tobytes() + np.full(HEIGHT * WIDTH // 2, 128, np.uint8).tobytes())


@pytest.fixture
def fake(browser, tmp_path):
    """Return what opens a browser whose camera plays a clip."""
    opened = []

    def open_with(clip, *, allowed=True):
        path = shutil.which("chromium") or shutil.which("chromium-browser")
        flags = ["--use-fake-device-for-media-stream", f"--use-file-for-fake-video-capture={clip}"]
        flags += ["--use-fake-ui-for-media-stream"] if allowed else []
        flags += ["--no-sandbox"] if os.geteuid() == 0 else []
        one = browser.browser_type.launch(executable_path=path, args=flags)
        opened.append(one)
        page = one.new_page(viewport={"width": 1280, "height": 900}, reduced_motion="reduce")
        page.set_default_timeout(30_000)
        page.add_init_script("""
            const ask = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
            window.given = [];
            navigator.mediaDevices.getUserMedia = async (wish) => {
                const stream = await ask(wish); window.given.push(...stream.getTracks()); return stream; };""")
        return page

    yield open_with
    for one in opened:
        one.close()


def begun(page, running, query=""):
    page.goto(running.entrance)
    page.wait_for_selector("#sheet[data-ready]")
    page.goto(f"{running.address}/shoot?live=1{query}")
    page.wait_for_selector("#sheet[data-ready='shoot']")
    page.locator("#live-start").focus()
    page.keyboard.press("Enter")


def files_of(folder):
    return {path.relative_to(folder): path.stat().st_mtime_ns for path in folder.rglob("*") if path.is_file()}


def greys(page):
    got = page.evaluate("""() => { const from = document.querySelector(".live-picture canvas");
        const {data} = from.getContext("2d").getImageData(0, 0, from.width, from.height);
        return [from.height, from.width, Array.from({length: data.length / 4}, (_, n) => data[4 * n])]; }""")
    return np.array(got[2], float).reshape(got[0], got[1])


def test_a_nudged_camera_is_told_how_far_and_which_way(filmed, room, fake, tmp_path):
    clip = tmp_path / "camera.y4m"
    camera_clip(clip, room, 6, -3)
    page = fake(clip)
    begun(page, filmed)
    page.locator("#live-words", has_text="The picture lies").wait_for()
    said = page.locator("#live-words").inner_text()
    right, up = re.search(r"([\d.]+) px right, ([\d.]+) px up", said).groups()
    # A pixel of this camera is one of the reference; a quarter of one is what 8 bits, noise and the browser's scaling
    # may cost, and less than a hand can set.
    assert abs(float(right) - 6) < 0.25
    assert abs(float(up) - 3) < 0.25
    assert "Aim the camera right and up" in said
    assert page.locator("#live-words.decide").count() == 1
    # A picture of it is kept nowhere, however many were looked at. (Those of the takes are made when first shown.)
    page.wait_for_function("() => [...document.images].every((one) => one.naturalWidth > 0)")
    before = files_of(filmed.film)
    for _ in range(3):
        with page.expect_response(re.compile("/api/shoot/live/")) as answer:
            pass
        assert answer.value.status == 200
    assert files_of(filmed.film) == before
    # What is drawn shows the way too: the camera's edges lie elsewhere than the reference's.
    edges = greys(page)
    assert (edges == 255).mean() > 0.01
    assert (edges == 0).mean() > 0.01
    # The camera is let go of when the page is left.
    page.keyboard.press("Escape")
    page.locator("h1").click()
    page.keyboard.press("3")
    page.wait_for_selector("#sheet[data-ready='lineup']")
    assert page.evaluate("() => window.given.map((track) => track.readyState)") == ["ended"]


def test_a_camera_that_was_not_moved_is_said_to_be_where_it_was(filmed, room, fake, tmp_path):
    clip = tmp_path / "camera.y4m"
    camera_clip(clip, room, 0, 0)
    page = fake(clip)
    begun(page, filmed, "&overlay=difference")
    page.locator("#live-words", has_text="lies as in the reference").wait_for()
    assert page.locator("#live-words.decide").count() == 0
    assert page.locator("#live-camera option").count() >= 1
    page.wait_for_timeout(300)
    still = greys(page)[:120, 350:]  # where the player is not
    assert np.abs(still - 128).mean() < 8  # even grey: dimmer light is levelled
    # Every way of laying them over each other is drawn, by key.
    drawn = {}
    for _ in range(4):
        name = page.locator("[data-overlay][aria-pressed='true']").get_attribute("data-overlay")
        page.wait_for_timeout(250)
        drawn[name] = greys(page)
        page.locator("h1").click()
        page.keyboard.press("o")
    assert set(drawn) == {"difference", "edges", "camera", "onion"}
    page.keyboard.down("r")
    page.wait_for_timeout(250)
    held = greys(page)
    page.keyboard.up("r")
    assert np.corrcoef(held.ravel(), drawn["onion"].ravel())[0, 1] > 0.9
    assert (drawn["camera"].mean() - held.mean()) < -8  # the light is dimmer now
    page.locator("#live-start").click()
    assert page.evaluate("() => window.given.map((track) => track.readyState)") == ["ended"]


def test_no_permission_is_said_plainly(filmed, room, fake, tmp_path):
    clip = tmp_path / "camera.y4m"
    camera_clip(clip, room, 0, 0)
    page = fake(clip, allowed=False)
    begun(page, filmed)
    page.locator("#live-words", has_text="does not allow this page the camera").wait_for()
    assert "Allow it beside the page's address" in page.locator("#live-advice").inner_text()


def test_no_camera_is_said_plainly(filmed, browser):
    with browser.new_context(permissions=["camera"]) as context:
        page = context.new_page()
        begun(page, filmed)
        page.locator("#live-words", has_text="There is no camera here").wait_for()


def pgm(width, height, codes=None):
    return b"P5\n%d %d\n255\n" % (width, height) + (bytes(width * height) if codes is None else codes)


@pytest.mark.parametrize(
    ("body", "kind", "status", "says"),
    [
        (pgm(1200, 1000), "image/x-portable-graymap", 413, "more than the desk reads"),
        (pgm(96, 64, b"short"), "image/x-portable-graymap", 400, "does not hold 5"),
        (b"P6\n1 1\n255\nabc", "image/x-portable-graymap", 400, "no grey picture"),
        (pgm(0, 0), "image/x-portable-graymap", 400, "0 x 0"),
        (pgm(8, 8), "image/x-portable-graymap", 400, "too small"),
        (pgm(96, 96), "image/x-portable-graymap", 400, "different shape"),
        (pgm(96, 54), "application/json", 415, "a grey picture"),
    ],
)
def test_only_small_grey_pictures_are_looked_at(looked_at, tools, body, kind, status, says):
    url = urlparse(looked_at.address)
    connection = http.client.HTTPConnection(url.hostname, url.port, timeout=30)
    headers = {
        "Cookie": f"partsong-desk-{url.port}={tools.token}", "Origin": looked_at.address, "Content-Type": kind,
    }  # fmt: skip
    connection.request("POST", "/api/shoot/live/drum-1", body, headers)
    answer = connection.getresponse()
    assert answer.status == status
    assert says in json.loads(answer.read())["error"]["sentence"]
    connection.close()


def test_a_picture_from_elsewhere_is_refused(looked_at, tools):
    url = urlparse(looked_at.address)
    inside = {"Cookie": f"partsong-desk-{url.port}={tools.token}", "Origin": looked_at.address}
    for without in ("Cookie", "Origin"):
        connection = http.client.HTTPConnection(url.hostname, url.port, timeout=10)
        headers = {name: value for name, value in inside.items() if name != without}
        headers["Content-Type"] = "image/x-portable-graymap"
        connection.request("POST", "/api/shoot/live/drum-1", pgm(160, 90), headers)
        assert connection.getresponse().status == 403
        connection.close()


def test_a_picture_is_held_against_any_take_and_one_that_is_not_there_is_named(desk):
    from partsong.errors import NoSuchRecord

    grey = GreyPicture.read(pgm(160, 90))
    with pytest.raises(NoSuchRecord, match="tuba-1"):
        live.compared(desk, "tuba-1", grey)
    told = live.compared(desk, "drum-1", grey)
    assert not told.same_room  # a black picture shows nothing
    assert "not told" in told.words[0]
    with pytest.raises(InvalidInput, match="no grey picture"):
        GreyPicture.read(b"P5\n# a comment\n1 1\n255\n\0")
