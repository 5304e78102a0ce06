"""Takes pictures of every page of the desk, in two sizes: ``python tests/desk/pictures.py FILM [FOLDER]``.

FILM is the demo's (``partsong demo`` makes it), FOLDER docs/pictures unless given. The film stays as it is: only its
cache and its seam report are made where they are missing.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

SIZES = ((1440, 900), (1024, 768))
FOLDER = Path(__file__).parents[2] / "docs" / "pictures"
# The name of each picture, and the page's address: a place in the demo where there is something to see.
PAGES = {
    "home": "",
    "prepare": "prepare",
    "prepare-stage": "prepare#stage-plan",
    "shoot": "shoot",
    "lineup": "lineup",
    "stage": "stage?frame=300&take=glockenspiel-1",
    "look": "look?source=glockenspiel-1&frame=300",
    "look-two": "look?source=cajon-1&beside=roaming-1&frame=231",
    "cut": "cut",
    "signoff": "signoff",
}
CHANGING = """() => [...document.images].some((one) => one.getAttribute('src') && one.loading !== 'lazy'
  && (!one.complete || !one.naturalWidth))"""
MOST_BYTES = 250_000
MINUTES = 10 * 60_000


def settled(page: Page, address: str) -> None:
    """Turn to a page, and wait until it is drawn, its waveforms are there and its pictures loaded.

    What follows a ``#`` is the class of a section further down, which is then on top.
    """
    address, _, below = address.partition("#")
    page.goto(address)
    name = address.rpartition("/")[2].partition("?")[0]
    page.wait_for_selector(f"#sheet[data-ready='{name or 'home'}']", timeout=60_000)
    if name == "lineup":
        page.wait_for_selector("#sheet[data-waves]", timeout=60_000)
    if name == "look":
        page.wait_for_selector("#sheet[data-view]", timeout=60_000)
    if name == "stage":
        page.wait_for_selector("#sheet[data-preview='drawn']", timeout=60_000)
    page.wait_for_function(f"() => !({CHANGING})()", timeout=60_000)
    if below:
        page.locator(f".{below}").evaluate("(one) => one.scrollIntoView()")
    page.wait_for_timeout(1500)  # a still of a video, and of the preview, comes when the browser has decoded it


def furnished(page: Page, address: str) -> None:
    """Make what the Stage page shows and the film does not have yet: the preview, and the seam report."""
    page.goto(f"{address}/stage")
    page.wait_for_selector("#sheet[data-ready='stage']")
    if page.locator("#prepare-preview").count():
        page.locator("#prepare-preview").click()
        page.wait_for_selector("#sheet[data-preview='drawn']", timeout=MINUTES)
    if not page.locator(".seam").count():
        page.locator("#make-seams").click()
        page.wait_for_selector(".seam", state="attached", timeout=MINUTES)


def taken(page: Page, path: Path) -> None:
    """Write a picture of the page as JPEG, as good as fits."""
    for quality in range(90, 40, -6):
        if len(page.screenshot(path=path, type="jpeg", quality=quality)) <= MOST_BYTES:
            return
    sys.exit(f"{path} cannot be made smaller than {MOST_BYTES // 1000} kB.")


def main(film: str, folder: str = str(FOLDER)) -> None:
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
                furnished(page, address)
                for name, place in PAGES.items():
                    settled(page, f"{address}/{place}")
                    taken(page, Path(folder) / f"desk-{name}-{width}.jpg")
                page.close()
            browser.close()
    finally:
        desk.terminate()
        desk.wait(20)


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    main(*sys.argv[1:])
