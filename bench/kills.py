"""Renders killed at random moments, again and again: is the finished file bit for bit that of an undisturbed run?

A film of three small takes is merged and mastered by the command line. ``kill -9`` strikes the whole process group at a
random moment; the command is run again until it has been killed as often as asked and has then finished. With
``--cluster`` the same render runs on a Dask cluster started here, and one of its workers is killed instead.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from partsong.timebase import Rate
from rendering.cluster import Workers, partsong
from rendering.films import camera_second, made_film

SIZE, SECONDS, RATE = (480, 272), 48, Rate.of(24)
COMMANDS = (("stage", "merge"), ("signoff", "master"))


def main() -> None:
    """Kill, go on, compare."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--times", type=int, default=20, help="How often to kill.")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--cluster", action="store_true", help="Kill a worker of a Dask cluster instead.")
    given = options.parse_args()
    rng = random.Random(given.seed)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        film = folder / "here" / "film"
        made_film(film.parent, [camera_second(folder, RATE, SIZE, seed) for seed in (1, 2, 3)], SECONDS, RATE, SIZE,
                  cut=True).close()  # fmt: skip
        began = time.monotonic()
        for command in COMMANDS:
            subprocess.run(partsong(*command, str(film)), check=True, capture_output=True)
        took = time.monotonic() - began
        wanted = digests(film)
        print(f"undisturbed: {took:.1f} s, {len(wanted)} files: masters and the segments of the wide", flush=True)
        cluster = Workers() if given.cluster else None
        killed = rounds = 0
        try:
            while killed < given.times:
                rounds += 1
                for kind in ("cache", "masters"):
                    shutil.rmtree(film / kind, ignore_errors=True)
                for later, command in enumerate(COMMANDS):
                    most = (given.times - killed + 1 - later) // (2 - later)  # half of them, then the rest
                    struck = run_under_fire(command, film, most, rng, took / 2, cluster)
                    print(f"  {' '.join(command)}: killed {struck} times", flush=True)
                    killed += struck
                left = [path for path in film.rglob(".*.part*")]
                found = digests(film)
                same = found == wanted
                print(f"round {rounds}: killed {killed} times so far; identical: {same}; "
                      f"hidden files left behind: {len(left)}", flush=True)  # fmt: skip
                if not same:
                    names = sorted(name for name in {*found, *wanted} if found.get(name) != wanted.get(name))
                    sys.exit(f"These differ: {', '.join(names)}")
        finally:
            if cluster:
                cluster.close()


def run_under_fire(
    command: tuple[str, ...], film: Path, most: int, rng: random.Random, about_s: float, cluster: Workers | None
) -> int:
    """Run a command until it has finished, killing at random moments, at most so often; return how often."""
    killed = 0
    words = [*command, str(film), *(["--cluster", cluster.address] if cluster else [])]
    while True:
        child = subprocess.Popen(partsong(*words), start_new_session=True, stdout=subprocess.DEVNULL,
                                 stderr=subprocess.PIPE, text=True)  # fmt: skip
        strike = rng.uniform(0.05, 0.5) * about_s
        while killed < most and child.poll() is None:
            try:
                child.wait(timeout=strike)
            except subprocess.TimeoutExpired:
                killed += 1
                if cluster is None:
                    os.killpg(child.pid, signal.SIGKILL)
                    break
                cluster.kill_one(rng)
        _, said = child.communicate()
        if child.returncode == 0:
            return killed
        if child.returncode != -signal.SIGKILL:
            sys.exit(f"{' '.join(words)} ended with {child.returncode}: {said}")


def digests(film: Path) -> dict[str, str]:
    """Return the hash of each finished file."""
    files = [*sorted((film / "masters").glob("*.m*")), *sorted((film / "cache" / "wide").glob("*.mov"))]
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


if __name__ == "__main__":
    main()
