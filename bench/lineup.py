"""How well clips are placed on the song: 146 clips of known truth, easy to impossible, beside simpler methods.

The songs are public-domain scores played by a General MIDI sound font, the rooms are simulated by a general-purpose
acoustics library, and everything follows from the seed (``bench/placing``). Nothing here was used to set the limits
of the judgement, and nothing may be. Every clip is placed twice: against its part's stem and the mix, and against the
mix alone.

``--keep FOLDER`` keeps songs, clips and results: a run that was stopped goes on where it was, and after a change to
lineup only lineup is measured again. ``--cases 20`` takes a fair sample, ``--only hard``
clips of one class. Set OMP_NUM_THREADS=1 to measure one core.

Needs fluidsynth, fluid-soundfont-gm and espeak-ng from Debian or the like, and the Python packages of
``bench/placing/requirements.txt``; stempeg adds twelve clips of a recorded song. Making everything takes a quarter of
an hour, measuring as long again.

Limits of the judgement were set on ``--practice --seed 11`` (other scores, instruments, rooms and performances) and on
seeds 1 to 4 of ``bench/lineup_truth.py``.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import os
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from partsong import lineup
from partsong.lineup.arrival import delay_over
from partsong.lineup.features import hear
from partsong.lineup.locate import Found, Reference, locate
from placing import cases as casting
from placing import filming, peers, songs
from placing.cases import CLASSES, Case

Row = dict[str, Any]
AGAINST = ("stem", "mix")  # the stem and the mix, as for a part with a stem; the mix alone, as for one without


def main() -> None:
    """Make what is missing, measure, and print the tables."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--keep", type=Path, help="Where songs, clips and results are kept for the next run.")
    options.add_argument("--seed", type=int, default=1, help="Another seed makes other performances, rooms and clips.")
    options.add_argument("--practice", action="store_true", help="Other scores and instruments, to tune on.")
    options.add_argument("--cases", type=int, help="How many clips; all unless given.")
    options.add_argument("--only", nargs="+", choices=CLASSES, metavar="CLASS", help="Clips of these classes only.")
    options.add_argument("--workers", type=int, default=2, help="How many clips are measured at once.")
    options.add_argument("--worst", type=int, default=10, help="How many of the misses to list.")
    options.add_argument("--no-peers", action="store_true", help="Leave the simpler methods out.")
    options.add_argument("--no-cost", action="store_true", help="Leave memory and time over length out.")
    given = options.parse_args()
    missing = songs.missing_tools()
    if missing:
        sys.exit(missing)
    warnings.filterwarnings("ignore", module="music21")  # it remarks on the engraving of scores, not on their notes
    with tempfile.TemporaryDirectory() as name:
        run = Run(given.keep or Path(name), given.seed, given.workers)
        chosen = casting.all_cases(given.seed, songs.PRACTICE if given.practice else songs.PLANS)
        chosen = [case for case in chosen if case.kind in (given.only or CLASSES)]
        chosen = chosen[:: max(1, len(chosen) // given.cases)][: given.cases] if given.cases else chosen
        rows = run.all(chosen, with_peers=not given.no_peers)
        print(
            f"Seed {given.seed}, {len(chosen)} clips, {sum(case.how.length_s for case in chosen) / 60:.0f} minutes.\n"
        )
        for table in (lineup_table(rows), kinds_table(rows), drift_table(rows), peers_table(rows), marks(rows)):
            print(table, end="\n\n")
        print(misses(rows, given.worst))
        if songs.recording() is None:
            print("\nWithout the recorded excerpt: the package stempeg is not installed.")
        if not given.no_cost:
            print("\n" + cost(run), flush=True)


class Run:
    """The material and the results in one folder."""

    def __init__(self, folder: Path, seed: int, workers: int) -> None:
        here = Path(casting.__file__).parent
        made_by = _digest(here / "songs.py")
        filmed_by = _digest(here / "songs.py", here / "filming.py", here / "cases.py")
        self.seed, self.workers = seed, workers
        self.songs = folder / f"songs-{seed}-{made_by}"
        self.clips = folder / f"clips-{seed}-{filmed_by}"
        self.results = self.clips / "results.jsonl"
        self.lineup_by = _digest(*sorted(Path(lineup.__file__).parent.glob("*.py")))
        self.peers_by = _digest(here / "peers.py")
        for path in (self.songs, self.clips):
            path.mkdir(parents=True, exist_ok=True)

    def all(self, chosen: list[Case], *, with_peers: bool) -> list[Row]:
        """Return a row for each clip, reference and method, measuring those that are not known yet."""
        known = {(row["case"], row["method"], row["by"]): row["rows"] for row in self._kept()}
        wanted = [("lineup", self.lineup_by)] + ([("peers", self.peers_by)] if with_peers else [])
        # A song's clips one after the other, in one process: its sounds are heard once.
        missing = sorted(
            ((case, method) for case in chosen for method, by in wanted if (case.id, method, by) not in known),
            key=lambda entry: entry[0].song,
        )
        with multiprocessing.get_context("spawn").Pool(self.workers) as pool, self.results.open("a") as file:
            measured = pool.imap(self.measure, missing, chunksize=max(1, len(missing) // (4 * self.workers)))
            for number, ((case, method), rows) in enumerate(zip(missing, measured, strict=True), start=1):
                print(f"\r{number} of {len(missing)}: {case.id:20s}", end="", file=sys.stderr, flush=True)
                by = dict(wanted)[method]
                known[case.id, method, by] = rows
                file.write(json.dumps({"case": case.id, "method": method, "by": by, "rows": rows}) + "\n")
                file.flush()
        print(file=sys.stderr)
        return [row for case in chosen for method, by in wanted for row in known[case.id, method, by]]

    def measure(self, entry: tuple[Case, str]) -> list[Row]:
        """Return the rows of one clip and method."""
        case, method = entry
        return list((self._lineup if method == "lineup" else self._peers)(self._settled(case)))

    def clip(self, case: Case) -> songs.Sound:
        """Return a settled case's clip between -1 and 1."""
        path = self.clips / f"{case.id}.npy"
        if not path.is_file():
            temporary = path.with_name(f"partial-{os.getpid()}.npy")
            np.save(temporary, casting.make_clip(case, self.songs, self.seed))
            temporary.replace(path)
        return np.asarray(np.load(path), np.float32) / 32768

    def _kept(self) -> Iterator[Row]:
        if self.results.is_file():
            for line in self.results.read_text().splitlines():
                try:
                    yield json.loads(line)
                except json.JSONDecodeError:
                    continue  # the last line of a run that was killed

    def _settled(self, case: Case) -> Case:
        return casting.settled(case, songs.song(casting.plan_of(case.song), self.songs, self.seed))

    def _known_sounds(self, case: Case) -> dict[str, songs.Sound]:
        song = songs.song(casting.plan_of(case.song), self.songs, self.seed)
        return {name: filming.to_heard_rate(sound)
                for name, sound in (("stem", song.stems[case.part]), ("mix", song.mix))}  # fmt: skip

    @lru_cache(maxsize=10)  # noqa: B019 -- one object a process
    def _reference(self, song: str, part: str, name: str) -> Reference:
        made = songs.song(casting.plan_of(song), self.songs, self.seed)
        return Reference(name, hear(filming.to_heard_rate(made.stems[part] if name == "stem" else made.mix)))

    def _lineup(self, case: Case) -> Iterator[Row]:
        stem, mix = (self._reference(case.song, case.part, name) for name in AGAINST)
        clip = self.clip(case)
        began = time.process_time()
        heard = hear(clip)
        hearing_s = time.process_time() - began
        for name, references in zip(AGAINST, ([stem, mix], [mix]), strict=True):
            began = time.process_time()
            found = locate(heard, references)
            cpu_s = hearing_s + time.process_time() - began
            late_s = delay_over(case.how.distance_m).seconds
            starts = [place.line.start_s + late_s for place in found.possible]
            errors = [1e3 * (start - case.how.picture_start_s) for start in starts]
            yield {
                **_about(case), "method": "lineup", "against": name, "confidence": found.confidence,
                "by": found.method, "agreed": found.agreed, "tried": found.tried, "reason": found.reason,
                "placed": found.confidence in ("sure", "likely"),
                "error_ms": errors[0] if errors else None,  # the first is the answer
                "nearest_ms": min(map(abs, errors)) if errors else None,
                "drift_error_ppm": found.line.drift_ppm - case.how.drift_ppm if _clock_known(found) else None,
                "cpu_s": cpu_s,
            }  # fmt: skip

    def _peers(self, case: Case) -> Iterator[Row]:
        sounds, clip = self._known_sounds(case), self.clip(case)
        # What a method that knows no delay and no drift can be right about: where the sound of the clip's middle lies.
        middle_s = len(clip) / filming.HEARD_RATE_HZ / 2
        truth_s = case.how.picture_start_s - case.delay_s + middle_s * (1 + case.how.drift_ppm * 1e-6)
        second = np.random.default_rng(1).normal(size=filming.HEARD_RATE_HZ).astype(np.float32)
        for find in peers.METHODS.values():
            find(second, second)  # what compiles at its first call has done so
        for name in AGAINST:
            for method, find in peers.METHODS.items():
                began = time.process_time()
                error_ms = 1e3 * (find(clip, sounds[name]) - truth_s)
                yield {**_about(case), "method": method, "against": name, "placed": True, "error_ms": error_ms,
                       "cpu_s": time.process_time() - began}  # fmt: skip


def _clock_known(found: Found) -> bool:
    return found.line is not None and (found.method != "onsets" or found.line.drift_ppm != 0)


def _about(case: Case) -> Row:
    how = case.how
    return {
        "case": case.id, "kind": case.kind, "what": case.what, "belongs": case.belongs, "song": case.song,
        "part": case.part, "length_s": how.length_s, "drift_ppm": how.drift_ppm, "noise_db": how.noise_db,
        "talk_db": how.talk_db, "reverb_s": how.reverb_s, "distance_m": how.distance_m, "band": how.band_hz is not None,
    }  # fmt: skip


def _digest(*paths: Path) -> str:
    return hashlib.sha256(b"".join(path.read_bytes() for path in paths)).hexdigest()[:10]


# --- tables ---------------------------------------------------------------------------------------


def limit_ms(row: Row) -> float:
    """Return how far off a placement counts as wrong: 20 ms, or 40 ms in the adversarial class."""
    return 40.0 if row["kind"] == "adversarial" else 20.0


def wrong(row: Row) -> bool:
    """Say whether a clip was placed where it is not."""
    return row["placed"] and (not row["belongs"] or abs(row["error_ms"]) > limit_ms(row))


def offered(row: Row) -> bool:
    """Say whether a clip was asked about with the truth among the candidates."""
    return row["confidence"] == "ask" and row["belongs"] and row["nearest_ms"] <= limit_ms(row)


def within(rows: Iterable[Row], ms: float) -> int:
    """Count the clips that were placed this close to the truth."""
    return sum(row["placed"] and row["belongs"] and abs(row["error_ms"]) <= ms for row in rows)


def lineup_table(rows: list[Row]) -> str:
    """Return what lineup answered, by class and reference."""
    head = ["class", "against", "clips", "placed", "sure", "≤ 5 ms", "≤ 20 ms", "≤ 40 ms", "wrong", "wrong and sure",
            "ask, truth offered", "ask, not offered", "none", "median ms", "99 % ms", "CPU s a minute"]  # fmt: skip
    return "Line up:\n\n" + _table(head, [_summary(group, name) for group, name in _groups(rows, "kind", CLASSES)])


def kinds_table(rows: list[Row]) -> str:
    """Return the same by what was filmed."""
    whats = dict.fromkeys(row["what"] for kind in CLASSES for row in rows if row["kind"] == kind)
    head = ["clips of", "against", "clips", "placed", "sure", "≤ 5 ms", "≤ 20 ms", "≤ 40 ms", "wrong", "wrong and sure",
            "ask, truth offered", "ask, not offered", "none", "median ms", "99 % ms", "CPU s a minute"]  # fmt: skip
    return "By what is heard:\n\n" + _table(
        head, [_summary(group, name) for group, name in _groups(rows, "what", whats)]
    )


def _groups(rows: list[Row], key: str, values: Iterable[str]) -> Iterator[tuple[list[Row], list[str]]]:
    for value in values:
        for against in AGAINST:
            group = [
                row for row in rows if row["method"] == "lineup" and row[key] == value and row["against"] == against
            ]
            if group:
                yield group, [value, "stem and mix" if against == "stem" else "mix"]


def _summary(group: list[Row], name: list[str]) -> list[str]:
    errors = _errors(group)
    asked = [row for row in group if row["confidence"] == "ask"]
    counts = [
        len(group), sum(row["placed"] for row in group), sum(row["confidence"] == "sure" for row in group),
        within(group, 5), within(group, 20), within(group, 40), sum(map(wrong, group)),
        sum(wrong(row) and row["confidence"] == "sure" for row in group), sum(map(offered, asked)),
        len(asked) - sum(map(offered, asked)), sum(row["confidence"] == "none" for row in group),
    ]  # fmt: skip
    return [*name, *map(str, counts), _quantile(errors, 50), _quantile(errors, 99), _cpu(group)]


def drift_table(rows: list[Row]) -> str:
    """Return how well drift was told of placed clips over two minutes."""
    body = []
    for against in AGAINST:
        group = [row for row in rows if row["method"] == "lineup" and row["against"] == against
                 and row["belongs"] and row["length_s"] > 120]  # fmt: skip
        for by in ("phase", "onsets"):
            right = [row for row in group if row["placed"] and not wrong(row) and row["by"] == by]
            errors = np.abs([row["drift_error_ppm"] for row in right if row["drift_error_ppm"] is not None])
            counts = [f"{len(right)} of {len(group)}", str(len(errors))]
            body.append([against, by, *counts, *(_quantile(errors, at) for at in (50, 95, 100))])
    head = ["against", "placed by", "placed right, of clips over 2 min", "drift told", "median ppm", "95 % ppm",
            "worst ppm"]  # fmt: skip
    return "Drift, of what was placed right:\n\n" + _table(head, body)


def peers_table(rows: list[Row]) -> str:
    """Return how often each method was within some milliseconds, on the clips that belong."""
    methods = [name for name in ("lineup", *peers.METHODS) if any(row["method"] == name for row in rows)]
    body = []
    for kind in CLASSES:
        for against in AGAINST:
            for method in methods:
                group = [row for row in rows if row["method"] == method and row["against"] == against
                         and row["kind"] == kind and row["belongs"]]  # fmt: skip
                if group:
                    counts = [str(within(group, ms)) for ms in (5, 20, 40)]
                    median = _quantile(_errors(group), 50)
                    body.append([kind, against, method, str(len(group)), *counts, median, _cpu(group)])
    head = ["class", "against", "method", "clips", "≤ 5 ms", "≤ 20 ms", "≤ 40 ms", "median ms", "CPU s a minute"]
    told = "Side by side (the others always answer; they are held to the middle of the clip's sound, without delay):"
    return f"{told}\n\n" + _table(head, body)


def marks(rows: list[Row]) -> str:
    """Return what was asked for beside what was seen."""
    mine = [row for row in rows if row["method"] == "lineup"]

    def of(against: str, *kinds: str) -> list[Row]:
        return [row for row in mine if row["against"] == against and row["kind"] in kinds]

    def share(group: list[Row], good: Callable[[Row], bool]) -> float:
        return 100 * sum(map(good, group)) / len(group) if group else float("nan")

    def close(row: Row) -> bool:
        return row["placed"] and abs(row["error_ms"]) <= limit_ms(row)

    plain, hard, sly = of("stem", "easy", "medium"), of("stem", "hard"), of("stem", "adversarial")
    strangers = [row for row in mine if not row["belongs"]]
    rest = [row for row in sly if not close(row)]
    misses_of = {name: sum(not close(row) for row in of(name, *CLASSES[:4])) for name in AGAINST}
    long = [row for row in mine if row["against"] == "stem" and row["belongs"] and row["length_s"] > 120
            and row["placed"] and not wrong(row)]  # fmt: skip
    drifts = np.abs([row["drift_error_ppm"] for row in long if row["drift_error_ppm"] is not None])
    sure_and_wrong = sum(wrong(row) and row["confidence"] == "sure" for row in mine)
    lines = [
        ("easy and medium, median error of the placed", "≤ 5 ms", f"{_quantile(_errors(plain), 50)} ms"),
        ("easy and medium within 20 ms", "99 %", f"{share(plain, close):.0f} %"),
        ("hard within 20 ms", "95 %", f"{share(hard, close):.0f} %"),
        ("adversarial within 40 ms", "80 %", f"{share(sly, close):.0f} %"),
        ("the other adversarial: ask, with the truth offered", "100 %", f"{share(rest, offered):.0f} % of {len(rest)}"),
        ("misses against the mix alone", "≤ 1.5 times", f"{misses_of['mix']} to {misses_of['stem']}"),
        ("wrong and sure, all classes, both references", "0", str(sure_and_wrong)),
        ("not belonging: never placed", "100 %", f"{share(strangers, lambda row: not row['placed']):.0f} %"),
        ("drift over two minutes, told or said not to be known", "-", f"{len(drifts)} told of {len(long)}"),
        ("drift over two minutes, median", "≤ 3 ppm", f"{_quantile(drifts, 50)} ppm"),
        ("drift over two minutes, 95 %", "≤ 10 ppm", f"{_quantile(drifts, 95)} ppm"),
    ]
    return "Asked and seen:\n\n" + _table(["what", "asked", "seen"], [list(line) for line in lines])


def misses(rows: list[Row], most: int) -> str:
    """List the worst: placed wrong, then not offered, then asked about; easier classes first."""
    mine = [row for row in rows if row["method"] == "lineup"]
    missed = [row for row in mine if wrong(row) or (row["belongs"] and not row["placed"])]
    missed.sort(key=lambda row: (not (wrong(row) and row["confidence"] == "sure"), not wrong(row), offered(row),
                                 CLASSES.index(row["kind"]), row["against"] != "stem", row["case"]))  # fmt: skip
    lines = [f"{len(missed)} misses of {len(mine)} answers; the worst:"]
    for row in missed[:most]:
        off = (
            ""
            if row["error_ms"] is None
            else f", {row['error_ms']:+.1f} ms off, nearest candidate {row['nearest_ms']:.1f}"
        )
        lines.append(
            f"- {row['case']} against {row['against']}: {row['what']}, song {row['song']} part {row['part']}, "
            f"{row['length_s']:.0f} s, noise {row['noise_db']:.0f} dB, talk {row['talk_db']}, "
            f"reverberation {row['reverb_s']:.1f} s, {row['distance_m']:.1f} m: "
            f"{row['confidence']} by {row['by']}{off}, {row['agreed']} of {row['tried']} windows. {row['reason']}."
        )
    return "\n".join(lines)


def _errors(group: Iterable[Row]) -> np.ndarray:
    return np.abs([row["error_ms"] for row in group if row["placed"] and row["belongs"]])


def _quantile(values: np.ndarray, percent: float) -> str:
    return f"{np.percentile(values, percent):.3g}" if len(values) else "-"


def _cpu(group: list[Row]) -> str:
    return f"{sum(row['cpu_s'] for row in group) / sum(row['length_s'] for row in group) * 60:.2f}"


def _table(head: list[str], body: list[list[str]]) -> str:
    lines = [head, ["---"] * len(head), *body]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


# --- cost -----------------------------------------------------------------------------------------


def cost(run: Run) -> str:
    """Return time and memory of hearing and placing whole files, as ``partsong lineup place`` does, by their length."""
    song, other = (songs.song(casting.plan_of(name), run.songs, run.seed) for name in ("c1", "c2"))
    how = filming.Filming(-20.0, 240.0, 40.0, noise_db=-25)
    ours = filming.filmed(song.stems["0"], how)
    theirs = filming.filmed(np.tile(other.stems["0"], 4), how)
    body = []
    with tempfile.TemporaryDirectory() as name:
        here = Path(name)
        for part, sound in (("mix", song.mix), ("stem", song.stems["0"])):
            songs._write(here / f"{part}.wav", sound)
        for what, clip, times in (("the song", ours, 1), ("the song, then a quiet room", ours, 10),
                                  ("the song, then a quiet room", ours, 30), ("other music", theirs, 1),
                                  ("other music, over and over", theirs, 3)):  # fmt: skip
            path = here / f"{len(body)}.wav"
            _write_clip(path, clip, times, quiet=clip is ours)
            with multiprocessing.get_context("spawn").Pool(1) as pool:
                cpu_s, grown, answer = pool.apply(measured, (here, path))
            body.append(
                [f"{4 * times} min, {what}", f"{cpu_s:.2f}", f"{240 * times / cpu_s:.0f}", f"{grown / 2**20:.0f}",
                 answer]
            )  # fmt: skip
    head = ["clip", "CPU s", "times real time", "memory grown, MiB", "answer"]
    return "Cost of one file, song of 3 min already heard, one core:\n\n" + _table(head, body)


def measured(folder: Path, path: Path) -> tuple[float, int, str]:
    """Place a file in this fresh process; return CPU seconds, bytes that its memory grew by at most, and the answer."""
    from partsong.film.folder import FilmFolder
    from partsong.lineup.hearing import hear_clip
    from partsong.media.probe import probe
    from partsong.watch import silent

    store = FilmFolder(folder)
    paths = [folder / "stem.wav", folder / "mix.wav", path]
    *known, clip = [probe(entry, store.refer(entry)) for entry in paths]
    references = [Reference(entry.stem, hear_clip(store, record, silent()))
                  for entry, record in zip(paths, known, strict=False)]  # fmt: skip
    Path("/proc/self/clear_refs").write_text("5")  # forget the peak so far
    before, began = _memory("VmRSS"), time.process_time()
    found = locate(hear_clip(store, clip, silent()), references)
    return (
        time.process_time() - began,
        _memory("VmHWM") - before,
        f"{found.confidence}, {found.line and found.line.start_s:.3f} s",
    )


def _write_clip(path: Path, clip: np.ndarray, times: int, *, quiet: bool) -> None:
    import soundfile

    with soundfile.SoundFile(path, "w", filming.HEARD_RATE_HZ, 1, "PCM_16") as file:
        file.write(clip)
        rng = np.random.default_rng(1)
        for _ in range(times - 1):  # the camera runs on, in the quiet room or beside the same music
            file.write(np.round(rng.normal(size=len(clip)) * 30).astype(np.int16) if quiet else clip)


def _memory(field: str) -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(field)) * 1024


if __name__ == "__main__":
    main()
