"""Memory over length: the peak of a merge of two 3840x2160 10-bit takes, for a short song and a ten times longer one.

The long merge takes an hour at 24 frames a second, so ``--fps 4`` merges fewer
frames of as long a song. Linux only, since it reads the memory of all worker processes from ``/proc``.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from partsong.stage import steps
from partsong.timebase import Rate
from partsong.watch import silent
from rendering.films import camera_second, made_film

SIZE = (3840, 2160)


def main() -> None:
    """Print the peaks and their ratio; each length is measured in a process of its own."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seconds", type=int, nargs="*", default=[60, 600], help="Lengths of the song.")
    options.add_argument("--fps", type=int, default=24, help="Frames a second; fewer end sooner.")
    given = options.parse_args()
    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), max_tasks_per_child=1) as fresh:
        peaks = [fresh.submit(measured, seconds, given.fps).result() for seconds in given.seconds]
    if len(peaks) > 1:
        print(f"last over first: {peaks[-1] / peaks[0]:.3f}")


def measured(seconds: int, fps: int) -> int:
    """Merge a song of some length, print what it took and return the peak in bytes."""
    rate = Rate.of(fps)
    with tempfile.TemporaryDirectory() as name:
        one_second = camera_second(Path(name), rate, SIZE)
        began = time.monotonic()
        peak = peak_of_merge(Path(name), one_second, seconds, rate)
    frames = seconds * fps
    print(
        f"{seconds:5d} s of song, {frames} frames: peak {peak / 2**20:.0f} MiB over all processes, "
        f"{(time.monotonic() - began) / frames * 1000:.0f} ms a frame",
        flush=True,
    )
    return peak


def peak_of_merge(folder: Path, one_second: Path, seconds: int, rate: Rate) -> int:
    """Merge two takes over a song of some length and return the peaks of all processes, summed, in bytes."""
    here = folder / str(seconds)
    with made_film(here, [one_second] * 2, seconds, rate, SIZE) as store, peak_watched() as peak:
        steps.merge(store, silent())
    return sum(peak.values())


class peak_watched:  # noqa: N801  used as a with statement
    """Watch the memory of this process and all beneath it; ``with`` gives each process's peak by its number.

    Peaks are taken process by process: whether two of them happen to stand at theirs at the same moment is chance, and
    a longer run gives chance more time.
    """

    def __enter__(self) -> dict[int, int]:
        self._peak: dict[int, int] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._look)
        self._thread.start()
        return self._peak

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._stop.wait(0.2):
            for process, size in memory_of_family().items():
                self._peak[process] = max(size, self._peak.get(process, 0))


def memory_of_family() -> dict[int, int]:
    """Return the proportional memory of this process and all beneath it, in bytes."""
    parents = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                parents[int(entry.name)] = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
            except OSError:
                continue  # it has ended meanwhile
    family, grew = {os.getpid()}, True
    while grew:
        more = {child for child, parent in parents.items() if parent in family} - family
        family |= more
        grew = bool(more)
    sizes = {}
    for process in family:
        try:
            rollup = Path(f"/proc/{process}/smaps_rollup").read_text()
        except OSError:
            continue
        sizes[process] = next(int(line.split()[1]) for line in rollup.splitlines() if line.startswith("Pss:")) * 1024
    return sizes


if __name__ == "__main__":
    main()
