"""Takes pictures of every page of the desk of a film, in two sizes: ``python tests/desk/pictures.py FILM FOLDER``.

It changes nothing in the film but its cache. The wide must be merged where it is to be seen.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

SIZES = ((1440, 900), (1024, 768))
PAGES = ("home", "prepare", "shoot", "lineup", "stage", "look", "cut", "signoff")
CHANGING = "() => [...document.images].some((one) => !one.complete || !one.naturalWidth)"


def settled(page: Page, name: str) -> None:
    """Wait until a page is drawn, its waveforms are there and its pictures loaded."""
    page.wait_for_selector(f"#sheet[data-ready='{name}']")
    if name == "lineup":
        page.wait_for_selector("#sheet[data-waves]", timeout=60_000)
    page.wait_for_function(f"() => !({CHANGING})()", timeout=60_000)
    page.wait_for_timeout(1000)  # a still of a video, and of the preview, comes when the browser has decoded it


def main(film: str, folder: str) -> None:
    """Open the desk, turn to each page and take its picture."""
    browser_path = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser_path is None:
        sys.exit("No Chromium is installed here; install it (Debian: apt-get install chromium).")
    desk = subprocess.Popen(
        [sys.executable, "-m", "partsong", "desk", film, "--no-open"], stdout=subprocess.PIPE, text=True
    )
    assert desk.stdout is not None
    entrance = desk.stdout.readline().strip()
    address = entrance.partition("/enter")[0]
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=browser_path, args=["--no-sandbox"])
            for width, height in SIZES:
                page = browser.new_page(viewport={"width": width, "height": height}, reduced_motion="reduce")
                page.goto(entrance)
                for name in PAGES:
                    page.goto(f"{address}/{'' if name == 'home' else name}")
                    settled(page, name)
                    page.screenshot(path=Path(folder) / f"desk-{name}-{width}.png")
                page.close()
            browser.close()
    finally:
        desk.terminate()
        desk.wait(20)


if __name__ == "__main__":
    main(*sys.argv[1:])
