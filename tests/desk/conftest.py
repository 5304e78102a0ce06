"""Desks on a tiny film of two players who strike a drum at known times: one placed, one to be placed by a person."""

from __future__ import annotations

import contextlib
import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from partsong.desk.serve import Server, bound
from partsong.desk.session import Desk
from partsong.film.folder import FilmFolder
from partsong.film.records import (
    WIDE,
    Candidate,
    Film,
    Look,
    Mask,
    Oval,
    Part,
    Placement,
    Shot,
    Song,
    Stage,
    Take,
    TempoMark,
)
from partsong.film.store import FilmStore
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.media.sound import write_wav
from partsong.media.soundtrack import SoundTrack
from partsong.render.atlas import make_atlas
from partsong.render.colour import DEFAULT_CONFIG
from partsong.timebase import Rate, Time
from partsong.watch import silent

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Locator, Page

RATE, WIDTH, HEIGHT, FRAMES = Rate(num=25), 160, 90, 75
TOKEN = "a-token-for-tests"
STRIKES_S = (0.3, 0.8, 1.5, 2.1)


def strikes(late_s: float = 0.0) -> np.ndarray:
    """Return three seconds of decaying noise bursts, mono at 48 kHz."""
    rng = np.random.default_rng(5)
    sound = np.zeros(3 * 48000, np.float32)
    for at_s in STRIKES_S:
        start = round((at_s + late_s) * 48000)
        length = min(9600, len(sound) - start)
        sound[start : start + length] += 0.4 * np.exp(-np.arange(length) / 1500) * rng.standard_normal(length)
    return sound[:, None].astype(np.float32)


def clip(path: Path, x: int, frames: int = FRAMES) -> None:
    """Write a clip of a bright disc that sways, with a sound track."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with PictureWriter(
        path, RECIPES["camera"], width=WIDTH, height=HEIGHT, rate=RATE, threads=1, sound=SoundTrack([strikes()], 1)
    ) as writer:
        for number in range(frames):
            y = np.full((HEIGHT, WIDTH), 240, np.uint16)
            cv2.circle(y, (x + round(6 * np.sin(number / 4)), 45), 18, 600, -1)
            grey = np.full((HEIGHT, WIDTH // 2), 512, np.uint16)
            writer.write(Planes(y, grey, grey, 10, "bt709", "limited"))


@pytest.fixture(scope="session")
def material(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make the media and the film once; tests work on copies."""
    root = tmp_path_factory.mktemp("desk")
    write_wav(root / "song.wav", [strikes()])
    for name, x in (("drum", 45), ("bell", 115)):
        clip(root / "clips" / f"{name}.mov", x)
    folder = FilmFolder(root / "film")
    song = root / "song.wav"

    def take(name: str, kind: Any = "stage") -> Take:
        path = root / "clips" / f"{name.partition('-')[0]}.mov"
        return Take(id=name, kind=kind, part=name.partition("-")[0], clip=probe(path, folder.refer(path)))

    start = Time.of(Fraction(0))
    film = Film(
        name="Two", rate=RATE, width=WIDTH, height=HEIGHT,
        song=Song(
            title="Two Strikes", mix=probe(song, folder.refer(song)),
            tempo=(TempoMark(bar=1, at=start, beats_per_bar=2, bpm_num=120),),
        ),
        parts=(Part(id="drum", name="Drum", distance_m=2.0), Part(id="bell", name="Bell")),
        takes=(take("drum-1"), take("bell-1")),
        placements=(
            Placement(take="drum-1", confidence="sure", start=start, sentence="It fits."),
            Placement(
                take="bell-1", confidence="ask", sentence="Two places fit as well.",
                candidates=(
                    Candidate(start=Time.of(Fraction(1, 5)), score=2.0), Candidate(start=start, score=1.5),
                ),
            ),
        ),
        look=Look(config=DEFAULT_CONFIG, input_space="ACEScct", display="sRGB - Display", view="Un-tone-mapped"),
        cut=(Shot(source="drum-1", start=0, end=75),),
    )  # fmt: skip
    FilmStore.create(folder.root, film, "Made the film").close()
    return root


def copied(material: Path, to: Path) -> None:
    """Copy the material, and lay a secret beside it."""
    shutil.copytree(material, to)
    (to / "secret.txt").write_text("not for the desk")


@pytest.fixture
def film_root(material: Path, tmp_path: Path) -> Path:
    """Return a film of the test's own, beside a secret that no desk may serve."""
    copied(material, tmp_path / "work")
    return tmp_path / "work" / "film"


@pytest.fixture
def desk(film_root: Path) -> Iterator[Desk]:
    """Return a desk without a server."""
    one = Desk(film_root)
    yield one
    one.close()


@dataclass(frozen=True)
class Running:
    """A desk that is served: the address to open it with, and the film's folder."""

    entrance: str
    address: str
    film: Path


@contextlib.contextmanager
def served(film: Path) -> Iterator[Running]:
    """Serve a desk as the command does, on a free port."""
    listening = bound(0)
    port = listening.getsockname()[1]
    server = Server(Desk(film), port=port, token=TOKEN)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    address = f"http://127.0.0.1:{port}"
    yield Running(f"{address}/enter?token={TOKEN}", address, film)
    server.stop()
    thread.join()
    listening.close()


@pytest.fixture
def running(film_root: Path) -> Iterator[Running]:
    """Return a served desk of the test's own."""
    with served(film_root) as one:
        yield one


@pytest.fixture
def staged(running: Running) -> None:
    """Give the tiny film two placed takes on a stage, and its preview."""

    def edit(film: Film) -> Film:
        asking = film.placement_of("bell-1")
        assert asking is not None
        bell = asking.replace(confidence="sure", start=Time.of(Fraction(0)), candidates=())
        others = tuple(one for one in film.placements if one.take != "bell-1")
        mask = Mask(take="bell-1", shape=Oval(x=112, y=45, rx=30, ry=26), feather_px=10)
        stage = Stage(reference="drum-1", order=("drum-1", "bell-1"), masks=(mask,))
        return film.replace(placements=(*others, bell), stage=stage)

    with FilmStore.open(running.film) as store:
        film = store.change("Set the stage", edit).film
        make_atlas(store.folder, film, silent())


@pytest.fixture(scope="module")
def looked_at(material: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """Return one served desk for all tests of a module that change nothing."""
    work = tmp_path_factory.mktemp("looked-at") / "work"
    copied(material, work)
    with served(work / "film") as one:
        yield one


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Return the machine's own Chromium. Where it is missing, local runs skip and the build machine fails."""
    from playwright.sync_api import sync_playwright

    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        sentence = "No Chromium is installed here; install it (Debian: apt-get install chromium) to test the desk."
        if os.environ.get("CI"):
            pytest.fail(sentence)
        pytest.skip(sentence)
    # Sandboxes need rights that the root user of a container does not have.
    options = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=path, args=options)
        yield chromium
        chromium.close()


@pytest.fixture
def page(browser: Browser, running: Running) -> Iterator[Page]:
    """Return a page on the served desk, entered; anything that the page complains of fails the test."""
    complaints: list[str] = []
    one = browser.new_page(viewport={"width": 1280, "height": 800}, reduced_motion="reduce")
    one.set_default_timeout(30_000)
    one.on("pageerror", lambda problem: complaints.append(str(problem)))
    one.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    one.goto(running.entrance)
    one.wait_for_selector("#sheet[data-ready]")
    yield one
    one.close()
    # A refused request is logged by the browser too; tests that provoke one say what they expect of the page.
    assert [said for said in complaints if "status of 4" not in said] == []


def waited(holds: Callable[[], bool], within_s: float = 30.0) -> bool:
    """Say whether something came to hold within a time."""
    end = time.monotonic() + within_s
    while not holds():
        if time.monotonic() > end:
            return False
        time.sleep(0.05)
    return True


def box_of(where: Locator) -> dict[str, float]:
    """Return where an element lies; one that a page just draws again lies nowhere for a moment."""
    found: list[dict[str, float]] = []

    def is_there() -> bool:
        found.extend(box for box in [where.bounding_box()] if box)
        return bool(found)

    assert waited(is_there)
    return found[0]


def played_a_little(page: Page) -> None:
    """Play the cut past its warning, and stop it again."""
    page.locator("#play").click()
    page.locator(".playing .watch").click()
    page.locator(".sounding", has_text="Playing").wait_for()
    page.keyboard.press("x")
    page.wait_for_function("() => document.querySelector('.playing video').paused")
    # A frame that was on its way when it paused may still be drawn.
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done())))")


def seen_playing(page: Page, rim: int) -> NDArray[np.float64]:
    """Return what is seen of the playing picture, encoded R'G'B' (height, width, 3), without its rim."""
    png = np.frombuffer(page.locator(".playing .frame").screenshot(), np.uint8)
    picture = cv2.imdecode(png, cv2.IMREAD_COLOR)
    assert picture is not None
    return np.asarray(picture[rim:-rim, rim:-rim, ::-1] / 255, np.float64)


@pytest.fixture(scope="session")
def tools() -> SimpleNamespace:
    """Return what this file offers to tests, which cannot import it by name."""
    return SimpleNamespace(
        waited=waited, box_of=box_of, played_a_little=played_a_little, seen_playing=seen_playing, token=TOKEN,
        strikes_s=STRIKES_S, wide=WIDE,
    )  # fmt: skip
