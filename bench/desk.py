"""How fast the desk's preview is drawn while an oval is dragged: frames a second, in Chromium, with software rendering.

Layers are ovals side by side on one tile of a made-up stream, drawn at 1920 x 1080 and at 960 x 540; only drawing is
measured, as only that happens while a hand moves. Needs Chromium and Playwright, as the tests do.
"""

from __future__ import annotations

import http.server
import shutil
import threading
from functools import partial
from importlib import resources

COUNTS = (5, 12)
SIZES = ((960, 540), (1920, 1080))

DRAG = """async ([count, width, height]) => {
  const { Preview } = await import("/preview.js");
  const real = window.fetch;
  const curve = Float32Array.from({length: 4096}, (_, n) => (n + 1) / 4096);
  const lattice = new Float32Array(49 ** 3 * 3).map((_, n) => (n % 3) / 2);
  window.fetch = (path) => Promise.resolve(new Response(path.includes("curve") ? curve : lattice));
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [width, height];
  const preview = new Preview(canvas, document.createElement("video"));
  const layers = Array.from({length: count}, (_, n) => ({take: `t${n}`, feather_px: width / 12, opacity: 1, fills: 0,
    gain: [1, 1, 1], back: [1, 0, 0, 0], oval: n ? {x: n * width / count, y: height / 2, rx: width / count / 1.5,
    ry: height / 3, rotation_deg: 10} : null}));
  preview.plan = {width, height, rate_num: 25, rate_den: 1, frames: 1, cut: [],
    tiles: layers.map(({take}, n) => ({take, x: (n % 4) * 480, y: Math.floor(n / 4) * 270, width: 480, height: 270})),
    runs: [{first: 0, stop: 1, layers}]};
  const gl = preview.gl.context;
  gl.activeTexture(gl.TEXTURE2);
  gl.bindTexture(gl.TEXTURE_2D, preview.gl.atlas);
  const noise = new Uint8Array(1920 * 1080 * 4).map(() => Math.random() * 255);
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA8, 1920, 1080, 0, gl.RGBA, gl.UNSIGNED_BYTE, noise);
  await preview.tables();
  window.fetch = real;
  let begun = performance.now();
  let drawn = 0;
  let settled = false;  // how coarsely it is drawn is found in the first seconds
  while (performance.now() - begun < 3000 || !settled) {
    if (!settled && performance.now() - begun > 4000) [settled, begun, drawn] = [true, performance.now(), 0];
    preview.moved.set("t1", {oval: {...layers[1].oval, x: layers[1].oval.x + drawn % 50}, feather_px: width / 12});
    preview.draw(true);
    drawn += 1;
  }
  return [drawn / ((performance.now() - begun) / 1000), preview.coarse];
}"""


class Quiet(http.server.SimpleHTTPRequestHandler):
    """Serves the desk's static files, and says nothing."""

    def log_message(self, *_said: object) -> None:
        """Say nothing."""


def main() -> None:
    """Print the table."""
    from playwright.sync_api import sync_playwright

    path = shutil.which("chromium")
    if path is None:
        raise SystemExit("No Chromium is installed here; install it (Debian: apt-get install chromium).")
    static = str(resources.files("partsong.desk") / "static")
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=static))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        page = browser.new_page()
        page.goto(f"http://127.0.0.1:{server.server_port}/index.html")
        print("layers  picture      frames a second")
        for count in COUNTS:
            for width, height in SIZES:
                rate, coarse = page.evaluate(DRAG, [count, width, height])
                print(f"{count:6}  {width} x {height:<5} {rate:8.1f}  drawn {coarse:.1f} times coarser")
        browser.close()
    server.shutdown()


if __name__ == "__main__":
    main()
