"""How well takes are placed by their picture alone: players of known truth, drawn by two unrelated renderers.

``demo`` players are the articulated ones of ``partsong demo``, given songs of their own; ``cut-out`` players are flat
figures written for this bench, who move by other rules (minimum jerk, bows that turn at the note, notes that are not
seen, hands that move without playing, a lamp that flickers) and pass through H.264. ``free`` ones are cut-outs too,
but how each lifts, strikes, comes back and is late is drawn by lot. Every player is looked at beside the stem of the
song that was played, and beside those of two other songs, one in the same tempo.

The limits of the judgement were set on 24 players of each kind, all over half a minute long, and 144 songs that they do
not play; these were made from other seeds than a run's. The run starts at 500 unless told otherwise (``--seed``).
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import signal

from partsong.demo import camera, clips, synth, tune
from partsong.film.folder import FilmFolder
from partsong.lineup.features import Floats, hear
from partsong.lineup.motion import Motion, Seen, look, watched
from partsong.lineup.seeing import see_clip, small
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.timebase import Rate, Time
from partsong.watch import silent

WIDTH, HEIGHT = 320, 180
BY = ("demo", "cut-out", "free", "demo")
RATES = (Rate(num=24), Rate(num=25), Rate(num=30000, den=1001), Rate(num=50))


@dataclass(frozen=True)
class Case:
    """One player: who draws it, from where on the song, how long, and how far it was from the truth when looked at."""

    by: str
    part: str
    start_s: float
    length_s: float
    rate: Rate
    seen: Seen
    against_others: tuple[Seen, ...]

    @property
    def error_frames(self) -> float:
        """How far the best place is from the truth, in frames; infinite without one."""
        if not self.seen.sights:
            return float("inf")
        return (self.seen.sights[0].start_s - self.start_s) * float(self.rate.exact)

    @property
    def offered(self) -> bool:
        """Whether the truth is among the candidates, to a frame."""
        return any(abs(one.start_s - self.start_s) * float(self.rate.exact) <= 1 for one in self.seen.sights)


# --- songs --------------------------------------------------------------------------------------------


def song_of(rng: np.random.Generator, part: str, bpm: int) -> tune.Performance:
    """Write a song of 60 to 110 seconds: phrases that come back, and a player who is a little loose."""
    beats = int(rng.choice([3, 4]))
    bars = int(rng.uniform(60, 110) / (60 / bpm) / beats)
    dense = {"harmonium": 0.28, "upright-bass": 0.4}.get(part, 0.5) * rng.uniform(0.8, 1.3)
    steps = 2 * beats * 4  # phrases of four bars in eighths
    phrases = []
    for _ in range(3):
        chance = np.where(np.arange(steps) % 2 == 0, 1.4, 0.6) * dense
        phrases.append([(step, int(rng.integers(0, 8))) for step in range(steps) if rng.random() < chance[step]])
    beat_s, loose_s = 60 / bpm, rng.uniform(0.004, 0.012)
    low = {"upright-bass": 33, "harmonium": 57, "glockenspiel": 88, "melodica": 69, "cajon": 60}[part]
    notes: list[tune.Note] = []
    for bar in range(0, bars - 4, 4):
        phrase = phrases[(0, 0, 1, 0, 2, 1)[bar // 4 % 6]]
        for step, degree in phrase:
            if rng.random() < 0.08:  # no two verses are played alike
                continue
            at_s = 0.5 + (bar * beats + step / 2) * beat_s + float(np.clip(rng.normal(0, loose_s), -0.03, 0.03))
            touch = ("bass" if step % (2 * beats) == 0 else "slap") if part == "cajon" else ""
            pitch = low + (0, 2, 4, 5, 7, 9, 11, 12)[degree]
            notes.append(tune.Note(at_s, 0.8 * beat_s, pitch, float(rng.uniform(0.4, 0.95)), touch))
    return tune.Performance(
        "Boathouse Waltz", bpm, beats, bars, Fraction(1, 2), (("A", 1),), {part: tuple(sorted(notes, key=_at))}
    )


def _at(note: tune.Note) -> float:
    return note.at_s


def onsets_of(song: tune.Performance, part: str, seed: int) -> Floats:
    """Play the part's stem and hear it."""
    heard = signal.resample_poly(synth.stem(song, part, seed=seed), 1, 3)
    return hear(heard.astype(np.float32)).voices[0].onsets


# --- the demo's player --------------------------------------------------------------------------------


def demo_motion(song: tune.Performance, part: str, start_s: float, length_s: float, seed: int) -> Motion:
    """Film the demo's player and return how the picture moves."""
    clip = next(one for one in clips.clips(tune.waltz(), tune.PARTS, roaming=False) if one.part == part)
    clip = clip.replace(
        start=Time.of(Fraction(start_s)),
        frames=round(length_s * 24),
        drift_ppm=0.0,
        moves=(),
        stand_moved=False,
        lamp_on_at_s=1.0,
        seed=seed,
    )
    light = clips.light_frames(clip, song, width=WIDTH, height=HEIGHT)
    lumas = (small(camera.record(frame, seed=seed * 100_003 + n).y) / np.float32(4) for n, frame in enumerate(light))
    return Motion.of(watched(lumas), 24.0)


# --- the flat player ----------------------------------------------------------------------------------


def _jerkless(t: NDArray[np.float64]) -> NDArray[np.float64]:
    t = np.clip(t, 0, 1)
    return np.asarray(t**3 * (10 - 15 * t + 6 * t * t))


def _hand(way: str, at_s: NDArray[np.float64], onsets: NDArray[np.float64], rng: np.random.Generator) -> NDArray:
    """Return a hand's place (frames, 2), pixels from its rest, as it plays notes in one of three ways."""
    place = np.zeros((len(at_s), 2))
    for number, (note, following) in enumerate(zip(onsets, [*onsets[1:], np.inf], strict=True)):
        size = rng.uniform(0.7, 1.2)
        if way == "struck":  # up in 150 ms, down in 90, back up by a quarter
            gap = following - note
            up_s, down_s = min(0.20, 0.55 * gap), 0.10
            lift = _jerkless((at_s - (note - down_s - 0.22)) / 0.22) * (at_s < note - down_s)
            fall = (1 - ((at_s - note + down_s) / down_s).clip(0, 1) ** 2) * ((at_s >= note - down_s) & (at_s < note))
            bounce = 0.3 * np.sin(np.pi * ((at_s - note) / up_s).clip(0, 1)) * (at_s >= note)
            place[:, 1] = np.minimum(place[:, 1], -14 * size * (lift + fall + bounce))
        elif way == "plucked":  # a quick pull at the note, and slowly back
            pull = _jerkless((at_s - note + 0.01) / 0.07) * (1 - _jerkless((at_s - note - 0.10) / 0.25))
            place[:, 0] += 9 * size * pull
            place[:, 1] -= 4 * size * pull
        else:  # drawn: the bow turns at every note
            span = min(following - note, 1.2)
            stroke = _jerkless((at_s - note) / span * 0.96) * (1 if number % 2 == 0 else -1)
            inside = (at_s >= note) & (at_s < following)
            before = 0 if number % 2 == 0 else 1
            place[inside, 0] = 16 * (before + stroke[inside])
    return place


def _free_hand(at_s: NDArray[np.float64], onsets: NDArray[np.float64], rng: np.random.Generator) -> NDArray:
    """Return the hand of a player like no other: (frames, 2), pixels from its rest."""
    lift_s, fall_s, back_s = rng.uniform(0.12, 0.40), rng.uniform(0.05, 0.18), rng.uniform(0.15, 0.50)
    force, back, late_s = rng.uniform(1, 3), rng.uniform(0, 0.8), rng.uniform(0, 0.012)
    along = rng.normal(size=2)
    along *= rng.uniform(7, 16) / np.hypot(*along)
    away = np.zeros(len(at_s))
    for note_s in onsets + rng.normal(0, 1, len(onsets)) * late_s:
        since = at_s - note_s
        lift = _jerkless((since + fall_s + lift_s) / lift_s) * (1 - ((since + fall_s) / fall_s).clip(0, 1) ** force)
        bounce = back * np.sin(np.pi * (since / back_s).clip(0, 1))
        away = np.maximum(away, rng.uniform(0.6, 1.1) * np.where(since < 0, lift, bounce))
    return np.outer(away, along)


def _wander(rng: np.random.Generator, at_s: NDArray[np.float64], fastest_hz: float) -> NDArray[np.float64]:
    speeds = rng.uniform(0.05, fastest_hz, 5)
    return np.asarray(sum(np.sin(2 * np.pi * hz * at_s + rng.uniform(0, 6)) for hz in speeds) / 5)


def _texture(rng: np.random.Generator, height: int, width: int, detail: float, mean: float) -> NDArray[np.float32]:
    grain = cv2.GaussianBlur(rng.normal(size=(height, width)).astype(np.float32), (0, 0), detail)
    return np.asarray(mean + 25 * grain / grain.std(), np.float32)


def cut_out_frames(
    song: tune.Performance, part: str, way: str, start_s: float, frames: int, rate: Rate, rng: np.random.Generator
) -> Iterator[NDArray[np.uint8]]:
    """Draw a flat player: a swaying body, a nodding head, and two hands that play most of the notes."""
    media_s = np.arange(frames) / float(rate.exact)
    at_s = start_s + media_s
    onsets = np.array(song.onsets_s(part))
    shown = onsets[rng.random(len(onsets)) > 0.15]  # some notes the camera cannot see being played
    if way == "free":
        hands = [_free_hand(at_s, half, rng) for half in (shown[0::2], shown[1::2])]
    else:
        halves = (shown[0::2], shown[1::2]) if way == "struck" else (shown,)
        hands = [_hand(way, at_s, half, rng) for half in halves]
    idle = rng.uniform(0, media_s[-1], max(1, int(media_s[-1] / 8)))  # a nose is scratched, a page turned
    for moment in idle:
        hands[0] += np.outer(np.exp(-0.5 * ((media_s - moment) / 0.25) ** 2), rng.normal(0, 14, 2))
    beat = (at_s - float(song.bar_one_s)) / float(song.beat_s)
    nods = 3 * rng.uniform(0, 1) * np.exp(-np.mod(beat + rng.uniform(-0.1, 0.1), 1) * 3)
    sway = 5 * _wander(rng, media_s, 0.8) + 2.5 * np.sin(np.pi * beat / song.beats_per_bar)
    lamp = 1 + 0.02 * _wander(rng, media_s, 6.0) * rng.uniform(0, 1)
    behind = cv2.GaussianBlur(_texture(rng, HEIGHT, WIDTH, 3, 70), (0, 0), 1)
    body, head = _texture(rng, 90, 60, 2.5, 110), _texture(rng, 26, 22, 2, 150)
    noise = rng.normal(0, 2.0, (8, HEIGHT, WIDTH)).astype(np.float32)
    x, y = rng.uniform(110, 210), rng.uniform(75, 95)
    for n in range(frames):
        frame = behind.copy()
        _paste(frame, body, x - 30 + sway[n], y)
        _paste(frame, head, x - 11 + 1.3 * sway[n], y - 26 + nods[n])
        for side, hand in enumerate(hands):
            sign = 1 if side else -1
            shoulder = (x + sign * 24 + sway[n], y + 10)
            palm = (x + sign * 16 + hand[n, 0] + 0.3 * sway[n], y + 50 + hand[n, 1])
            _stroke(frame, shoulder, palm, 5, 95)
            _stroke(frame, palm, palm, 5, 175)
        frame = frame * np.float32(lamp[n]) + noise[rng.integers(8)]
        yield np.clip(frame, 16, 235).astype(np.uint8)


def _paste(frame: NDArray[np.float32], piece: NDArray[np.float32], x: float, y: float) -> None:
    move = np.float32([[1, 0, x - int(x)], [0, 1, y - int(y)]])
    shifted = cv2.warpAffine(piece, move, piece.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
    top, left = int(y), int(x)
    part = frame[top : top + piece.shape[0], left : left + piece.shape[1]]
    part[:] = shifted[: part.shape[0], : part.shape[1]]


def _stroke(frame: NDArray[np.float32], a: tuple[float, float], b: tuple[float, float], radius: int, luma: int) -> None:
    ends = [(round(p[0] * 16), round(p[1] * 16)) for p in (a, b)]  # sixteenths of a pixel
    cv2.line(frame, *ends, float(luma), 2 * radius, cv2.LINE_8, 4)


def cut_out_motion(lumas: Iterable[NDArray[np.uint8]], rate: Rate, folder: Path) -> Motion:
    """Record a flat player with H.264 at 8 bits, and look at the file as lineup does."""
    film = FilmFolder(folder / "film")
    path = folder / "clip.mp4"
    with PictureWriter(path, RECIPES["h264"], width=WIDTH, height=HEIGHT, rate=rate, threads=1) as writer:
        for luma in lumas:
            chroma = np.full((HEIGHT // 2, WIDTH // 2), 128, np.uint8)
            writer.write(Planes(luma, chroma, chroma, 8, "bt709", "limited"))
    motion = see_clip(film, probe(path, film.refer(path)), silent())
    path.unlink()
    return motion


# --- looking ------------------------------------------------------------------------------------------


def case_of(seed: int) -> Case:
    """Make one player from a seed and look at it."""
    rng = np.random.default_rng([seed, 314])
    by = BY[seed % 4]
    part = str(rng.choice(tune.PARTS)) if by == "demo" else str(rng.choice(["cajon", "upright-bass", "melodica"]))
    bpm = int(rng.integers(66, 140))
    song = song_of(rng, part, bpm)
    length_s = float(rng.choice([12, 20, 32, 40, 60]))
    # A stage take runs for the whole song; a shorter one begins anywhere.
    start_s = float(rng.uniform(-2, max(float(song.length_s) - length_s - 5, 0)))
    if by == "demo":
        rate = RATES[0]
        motion = demo_motion(song, part, start_s, length_s, seed)
    else:
        rate = RATES[int(rng.integers(4))]
        way = "free" if by == "free" else {"cajon": "struck", "upright-bass": "plucked", "melodica": "drawn"}[part]
        frames = cut_out_frames(song, part, way, start_s, round(length_s * float(rate.exact)), rate, rng)
        with tempfile.TemporaryDirectory() as name:
            motion = cut_out_motion(frames, rate, Path(name))
        part = f"{part}, {way}"
    plays = part.split(",")[0]
    others = [song_of(rng, plays, tempo) for tempo in (bpm, int(rng.integers(66, 140)))]
    seen = look(motion, onsets_of(song, plays, seed))
    return Case(
        by, part, start_s, length_s, rate, seen, tuple(look(motion, onsets_of(one, plays, seed)) for one in others)
    )


def table(cases: list[Case]) -> Iterator[str]:
    """Lay out what was found."""
    yield "| players | clips | likely | within a frame | within 40 ms | ask, truth offered | ask, not offered | none |"
    yield "|---|---|---|---|---|---|---|---|"
    for by in ("demo", "cut-out", "free"):
        for long in (True, False):
            some = [case for case in cases if case.by == by and (case.length_s > 30) == long]
            likely = [case for case in some if case.seen.confidence == "likely"]
            asked = [case for case in some if case.seen.confidence == "ask"]
            framed = sum(abs(case.error_frames) <= 1 for case in likely)
            close = sum(abs(case.error_frames) / float(case.rate.exact) <= 0.04 for case in likely)
            offered = sum(case.offered for case in asked)
            length = "over 30 s" if long else "12 or 20 s"
            counts = (len(some), len(likely), framed, close, offered, len(asked) - offered)
            yield f"| {by}, {length} | {' | '.join(map(str, counts))} | {len(some) - len(likely) - len(asked)} |"
    strangers = [seen for case in cases for seen in case.against_others]
    likely, asked = (sum(seen.confidence == word for seen in strangers) for word in ("likely", "ask"))
    yield f"| another song's | {len(strangers)} | {likely} | - | - | - | {asked} | {len(strangers) - likely - asked} |"


def _line(case: Case) -> str:
    seen = case.seen
    others = " ".join(f"{one.confidence} ({_against(one)})" for one in case.against_others)
    return (
        f"{case.by:8s} {case.part:24s} {case.length_s:3.0f} s at {float(case.rate.exact):5.2f} a s {seen.confidence:6s}"
        f" {case.error_frames:+8.2f} frames, {seen.way:7s} {_against(seen)}, {seen.apart:.1f} apart | {others}"
    )


def _against(seen: Seen) -> str:
    return f"lead {seen.steady.lead:.0f}, t {seen.steady.t:.1f}, {seen.steady.against:.1f} against"


def main() -> None:
    """Make the players, look, print."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--seed", type=int, default=500, help="The first seed.")
    options.add_argument("--few", type=int, default=64, help="How many players.")
    options.add_argument("--each", action="store_true", help="A line for each player.")
    given = options.parse_args()
    cases = []
    began = time.process_time()
    for seed in range(given.seed, given.seed + given.few):
        case = case_of(seed)
        cases.append(case)
        if given.each:
            print(f"{seed:4d} {_line(case)}", flush=True)
    print("\n".join(table(cases)))
    print(f"\n{time.process_time() - began:.0f} s of processor time, the drawing and the listening included.")


if __name__ == "__main__":
    main()
