"""How often lineup is right, how sure it says it is, and what it costs, on synthesised songs with known truth.

Run with seeds: ``python bench/lineup_truth.py 5 6 7 8``. The songs and rooms are those of ``tests/lineup/conftest.py``;
seeds 1 to 4 were used while the limits of the judgement were set.
"""

from __future__ import annotations

import importlib.util
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from partsong.lineup.features import RATE_HZ, hear
from partsong.lineup.locate import Reference, locate

SONG_S = 120.0
WRONG_MS = 20.0
DELAY_S = 3 / 343.2
ROOMS: dict[str, dict[str, float]] = {
    "whole take, clear": {"start_s": -7.3, "length_s": SONG_S + 12, "drift_ppm": 60},
    "strong reverberation": {"start_s": 20.123, "length_s": 40, "direct_db": -8, "reverb_s": 1.2, "snr_db": 20},
    "noise 6 dB above": {"start_s": 33.3, "length_s": 30, "snr_db": -6, "drift_ppm": -40},
    "noise 18 dB above": {"start_s": 10.3, "length_s": 90, "snr_db": -18, "direct_db": -3},
    "six seconds": {"start_s": 51.7, "length_s": 6},
    "three seconds": {"start_s": 51.7, "length_s": 3},
}


def band(seed: int) -> Any:
    """Return the test's band."""
    path = Path(__file__).parents[1] / "tests" / "lineup" / "conftest.py"
    spec = importlib.util.spec_from_file_location("lineup_band", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["lineup_band"] = module
    spec.loader.exec_module(module)
    return module.Band(seed)


def cases(seed: int) -> Iterator[tuple[str, Any, float | None, list[Reference]]]:
    """Yield (what, sound, true start of the sound or None, references)."""
    home, stranger = band(seed), band(seed + 100)
    song = home.song(SONG_S)
    known = {name: Reference(name, hear(sound)) for name, sound in song.items()}
    others = {bpm: stranger.song(60, bpm) for bpm in (92.0, 117.0)}
    for kind in ("drum", "pluck", "bells", "pad"):
        for against in ([known[kind], known["mix"]], [known["mix"]]):
            for what, room in ROOMS.items():
                truth = room["start_s"] - DELAY_S * (1 + room.get("drift_ppm", 0) * 1e-6)
                yield what, home.filmed(song[kind], **room), truth, against
            again = home.filmed(home.part(kind, SONG_S, performance=1), 12.2, 60)
            yield "played again", again, 12.2 - DELAY_S, against
            for other in others.values():
                yield "another song", stranger.filmed(other[kind], 5, 50), None, against
    for other in others.values():
        yield "another song", stranger.filmed(other["mix"], 5, 50), None, [known["mix"]]
    noise = np.random.default_rng(seed).normal(size=60 * RATE_HZ).astype(np.float32)
    yield "noise", noise, None, [known["pad"], known["mix"]]


def main(seeds: list[int]) -> None:
    """Print a line for each kind of clip."""
    told: dict[str, list[tuple[str, str, float, bool]]] = defaultdict(list)
    clip_s = cpu_s = 0.0
    for seed in seeds:
        for what, sound, truth, against in cases(seed):
            began = time.process_time()
            found = locate(hear(sound), against)
            cpu_s += time.process_time() - began
            clip_s += len(sound) / RATE_HZ
            placed = found.confidence in ("sure", "likely")
            error_ms = abs(found.line.start_s - truth) * 1e3 if truth is not None and found.line else np.inf
            told[what].append((found.confidence, found.method, error_ms, placed and error_ms > WRONG_MS))
    print(f"seeds {seeds}: {cpu_s / clip_s * 60:.2f} s of processor a minute of clip, hearing and finding")
    for what, rows in told.items():
        counts = {word: sum(row[0] == word for row in rows) for word in ("sure", "likely", "ask", "none")}
        worst = {
            method: max((row[2] for row in rows if row[1] == method and row[0] in ("sure", "likely")), default=0.0)
            for method in ("phase", "onsets")
        }
        wrong = sum(row[3] for row in rows)
        print(f"{what:22s} of {len(rows)}: {counts}, wrong {wrong}, worst error ms {worst}")


if __name__ == "__main__":
    main([int(seed) for seed in sys.argv[1:]] or [5, 6, 7, 8])
