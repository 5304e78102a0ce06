"""What the desk's preview costs, in Chromium with software rendering (no graphics processor).

``opening``: processor seconds from turning to the Stage page until its first picture is drawn, of the desk and of all
of the browser, for a film of twelve 4K takes and four minutes whose atlas exists. ``dragging``: processor milliseconds
for a whole picture, and for one step of an oval under a hand, drawn finely and three times coarser; and how often a
hand that moves all the time is followed, which depends on what else the machine does. Layers are ovals side by side on
tiles as large as the atlas makes them. Processor time is read from /proc, so it runs on Linux only; it needs Chromium
and Playwright, as the tests do.
"""

from __future__ import annotations

import http.server
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from functools import partial
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.film.folder import FilmFolder, writing
from partsong.film.records import (
    Film,
    Look,
    Mask,
    Match,
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
from partsong.media.join import join
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.media.sound import write_wav
from partsong.render.atlas import MATRIX, RANGE, RECIPE, SEGMENT_S, atlas_path, layout_of
from partsong.render.colour import DEFAULT_CONFIG
from partsong.timebase import Rate, Time

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Playwright

COUNTS = (5, 12)
SEEN_PX = (960, 1130, 1900)  # how wide the picture is on the page; 1130 in a window of 1440
TAKES, SONG_S, RATE, SIZE = 12, 240, Rate(num=25), (3840, 2160)

DRAG = """async ([count, seen]) => {
  const { Preview } = await import("/preview.js");
  const [width, height] = [3840, 2160];
  const real = window.fetch;
  const curve = Float32Array.from({length: 4096}, (_, n) => (n + 1) / 4096);
  const lattice = new Uint32Array(49 ** 3).map((_, n) => n * 7919);
  window.fetch = (path) => Promise.resolve(new Response(path.includes("curve") ? curve : lattice));
  const canvas = document.createElement("canvas");
  document.body.replaceChildren(canvas);
  canvas.style.width = seen + "px";
  canvas.style.height = seen * 9 / 16 + "px";
  const preview = new Preview(canvas, document.createElement("video"));
  const drawn = Array.from({length: count}, (_, n) => ({take: `t${n}`, feather_px: width / 24, opacity: 1, fills: 0,
    gain: n % 2 ? [1.1, 1, 0.9] : [1, 1, 1], back: [1, 0, 0, 0], curve: null, patch: 0, oval: n ? {x: n * width / count,
    y: height / 2, rx: width / count / 1.5, ry: height / 3, rotation_deg: 10} : null}));
  const across = count > 9 ? 4 : 3, wide = 1920 / across, high = wide * 9 / 16;
  preview.plan = {width, height, rate_num: 25, rate_den: 1, frames: 1, cut: [], drawn,
    tiles: drawn.map(({take}, n) => ({take, x: n % across * wide, y: Math.floor(n / across) * high, width: wide,
      height: high})), runs: [{first: 0, stop: 1, layers: drawn.map((_, n) => n)}]};
  const gl = preview.gl.context;
  gl.activeTexture(gl.TEXTURE2);
  gl.bindTexture(gl.TEXTURE_2D, preview.gl.atlas);
  const noise = new Uint8Array(1920 * 1080 * 4).map(() => Math.random() * 255);
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA8, 1920, 1080, 0, gl.RGBA, gl.UNSIGNED_BYTE, noise);
  await preview.tables();
  window.fetch = real;
  const finish = () => gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, new Uint8Array(4));
  const {oval, feather_px} = drawn[1];
  const step = (n) => preview.moved.set("t1", {oval: {...oval, x: oval.x + 16 * (n % 50)}, curve: null, feather_px});
  const drawn_with = (moving, coarse) => {
    preview.coarse = coarse;
    preview.fence = null;
    preview.draw(moving);
    finish();
  };
  preview.draw();
  finish();
  window.whole = (n) => { for (let i = 0; i < n; i += 1) { preview.drawn = null; drawn_with(false, 0); } };
  window.fine = (n) => { for (let i = 1; i <= n; i += 1) { step(i); drawn_with(true, 0); } };
  window.coarse = (n) => { for (let i = 1; i <= n; i += 1) { step(i); drawn_with(true, 3); } };
  window.hand = async (ms) => {
    let pictures = 0, steps = 0, settled = false, begun = performance.now();
    const strips = preview.strips.bind(preview);
    preview.strips = (...all) => { pictures += 1; strips(...all); };
    await new Promise((done) => {
      const tick = () => {
        step(steps += 1);
        preview.draw(true);
        const now = performance.now();
        if (!settled && now - begun > 2000) [settled, begun, pictures] = [true, now, 0];
        if (settled && now - begun > ms) done();
        else requestAnimationFrame(tick);
      };
      tick();
    });
    clearTimeout(preview.settling);
    return pictures / ((performance.now() - begun) / 1000);
  };
  return canvas.width;
}"""


class Quiet(http.server.SimpleHTTPRequestHandler):
    """Serves the desk's static files, and says nothing."""

    def log_message(self, *_said: object) -> None:
        """Say nothing."""


def main() -> None:
    """Print the tables."""
    from playwright.sync_api import sync_playwright

    which = sys.argv[1:] or ["opening", "dragging"]
    with sync_playwright() as playwright:
        if "opening" in which:
            opening(playwright)
        if "dragging" in which:
            dragging(playwright)


def dragging(playwright: Playwright) -> None:
    """Print what drawing costs while an oval is dragged."""
    static = str(resources.files("partsong.desk") / "static")
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=static))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    with _browser(playwright) as (browser, processes):
        page = browser.new_page(viewport={"width": 1940, "height": 1100})
        page.goto(f"http://127.0.0.1:{server.server_port}/index.html")

        def cost_ms(what: str, times: int) -> float:
            before = _cpu_s(processes())
            page.evaluate(f"() => window.{what}({times})")
            return 1000 * (_cpu_s(processes()) - before) / times

        print("layers  seen  drawn   whole ms  a step ms  coarse ms  pictures a second under a hand")
        for count in COUNTS:
            for seen in SEEN_PX:
                drawn = page.evaluate(DRAG, [count, seen])
                costs = [cost_ms("whole", 4), cost_ms("fine", 12), cost_ms("coarse", 12)]
                rate = page.evaluate("() => window.hand(3000)")
                print(f"{count:6}  {seen:4}  {drawn:5}  {costs[0]:9.0f}  {costs[1]:9.0f}  {costs[2]:9.0f}  {rate:8.1f}")
    server.shutdown()


def opening(playwright: Playwright) -> None:
    """Print what it costs to see the first picture of a long film."""
    with tempfile.TemporaryDirectory() as folder:
        film = _film(Path(folder))
        desk = subprocess.Popen(
            [sys.executable, "-m", "partsong", "desk", str(film), "--no-open"], stdout=subprocess.PIPE, text=True
        )
        assert desk.stdout is not None
        entrance = desk.stdout.readline().strip()
        try:
            with _browser(playwright) as (browser, processes):
                page = browser.new_page(viewport={"width": 1440, "height": 900})
                page.goto(entrance)
                page.wait_for_selector("#sheet[data-ready]")
                print("the first picture: processor seconds of the desk, of the browser")
                for _ in range(4):  # the first time, tables are made
                    page.goto("about:blank")
                    page.wait_for_timeout(300)
                    before = _cpu_s([desk.pid]), _cpu_s(processes())
                    page.goto(entrance.partition("/enter")[0] + "/stage", wait_until="commit")
                    page.wait_for_selector("#sheet[data-preview='drawn']", timeout=120_000)
                    print(f"{_cpu_s([desk.pid]) - before[0]:8.2f} {_cpu_s(processes()) - before[1]:8.2f}")
        finally:
            desk.terminate()
            desk.wait(20)


def _film(root: Path) -> Path:
    """Make a film of twelve takes whose atlas is one short part again and again; the clips themselves are not read."""
    write_wav(root / "song.wav", [np.zeros((48000 * SONG_S, 1), np.float32)])
    grey = np.full((90, 80), 512, np.uint16)
    with PictureWriter(root / "clip.mov", RECIPES["camera"], width=160, height=90, rate=RATE, threads=1) as writer:
        writer.write(Planes(np.full((90, 160), 400, np.uint16), grey, grey, 10, "bt709", "limited"))
    folder = FilmFolder(root / "film")
    clip: Any = probe(root / "clip.mov", folder.refer(root / "clip.mov"))
    picture = clip.picture.replace(frames=SONG_S * RATE.num, width=SIZE[0], height=SIZE[1])
    clip = clip.replace(picture=picture, duration=Time.of(Fraction(SONG_S)))
    names = [f"take-{number}" for number in range(TAKES)]
    start = Time.of(Fraction(0))
    film = Film(
        name="Twelve", rate=RATE, width=SIZE[0], height=SIZE[1],
        song=Song(title="Twelve", mix=probe(root / "song.wav", folder.refer(root / "song.wav")),
                  tempo=(TempoMark(bar=1, at=start, beats_per_bar=3, bpm_num=92),)),
        parts=tuple(Part(id=name, name=name) for name in names),
        takes=tuple(Take(id=name, kind="stage", part=name, clip=clip) for name in names),
        placements=tuple(Placement(take=name, confidence="sure", start=start, sentence="It fits.") for name in names),
        stage=Stage(
            reference=names[0], order=tuple(names),
            masks=tuple(
                Mask(take=name, feather_px=160,
                     shape=Oval(x=160 + 320 * n, y=1000 + 100 * (n % 3), rx=220, ry=700, rotation_deg=5))
                for n, name in enumerate(names) if n
            ),
            matches=tuple(Match(take=name, gain=(1.1, 1.0, 0.9), known=True) for name in names[1::2]),
        ),
        look=Look(config=DEFAULT_CONFIG, input_space="ACEScct", display="sRGB - Display", view="ACES 1.0 - SDR Video"),
        cut=(Shot(source="wide", start=0, end=SONG_S * RATE.num),),
    )  # fmt: skip
    FilmStore.create(folder.root, film, "Made").close()
    layout = layout_of(film)
    rng = np.random.default_rng(1)
    luma = rng.integers(60, 180, (layout.height // 8, layout.width // 8), np.uint8).repeat(8, axis=0).repeat(8, axis=1)
    half = np.full((layout.height // 2, layout.width // 2), 128, np.uint8)
    with PictureWriter(
        root / "part.mp4", RECIPE, width=layout.width, height=layout.height, rate=RATE, matrix=MATRIX,
        value_range=RANGE, primaries="unknown", transfer="unknown", threads=2,
    ) as writer:  # fmt: skip
        for number in range(SEGMENT_S * RATE.num):
            writer.write(Planes(np.roll(luma, number, axis=1), half, half, 8, MATRIX, RANGE))
    with writing(atlas_path(folder, film)) as temporary:
        join(
            [root / "part.mp4"] * (SONG_S // SEGMENT_S), temporary, sound=root / "song.wav", sound_codec="aac",
            sound_samples=48000 * SONG_S,
        )  # fmt: skip
    return folder.root


@contextmanager
def _browser(playwright: Playwright) -> Iterator[tuple[Browser, Any]]:
    """Start the machine's Chromium; yield it, and what lists its processes."""
    path = shutil.which("chromium")
    if path is None:
        raise SystemExit("No Chromium is installed here; install it (Debian: apt-get install chromium).")
    others = _beneath(os.getpid())
    browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
    yield browser, lambda: _beneath(os.getpid()) - others
    browser.close()


def _beneath(process: int) -> set[int]:
    """Return all processes that a process started, and those that they did."""
    all_of_them = (int(one.name) for one in Path("/proc").iterdir() if one.name.isdigit())
    mine = {one for one in all_of_them if _stat(one)[1:2] == [str(process)]}
    return mine.union(*(_beneath(one) for one in mine))


def _cpu_s(processes: Any) -> float:
    """Return the user and system time of processes; one that has ended counts nothing."""
    ticks = [_stat(process)[11:13] for process in processes]
    return sum(int(one) for both in ticks for one in both) / os.sysconf("SC_CLK_TCK")


def _stat(process: int) -> list[str]:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return []


if __name__ == "__main__":
    main()
