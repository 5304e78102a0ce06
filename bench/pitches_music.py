"""Music of our own for ``bench/pitches_taught.py``: songs of many parts, each part alone, and what notes start in it.

A song has eight parts with pitches, a drum kit and a pattern of percussion, half a minute long, in one mode and tempo.
Which of them sound together, how loud and in what room, is drawn while teaching. Parts are played in three ways:

* by General MIDI instruments of two sound fonts. Of the font that the benchmark plays (``fluidr3mono-gm-soundfont`` in
  Debian, the same samples) only instruments that no song of the benchmark, judging or practice, has; of the other
  (``timgm6mb-soundfont``) all, since its samples are others (``songs.PLANS`` compared note by note);
* by notes that somebody recorded, one by one, of real instruments (npm's ``tonejs-instrument-*-mp3``, their samples
  under CC BY 3.0), which ``recorded`` makes into one file;
* by tones that are made here: partials with attacks of a millisecond to a third of a second, which tremble or do not.

    python bench/pitches_music.py recorded FOLDER NOTES.npz     once, from the unpacked packages
    python bench/pitches_music.py make NOTES.npz FONTS SONGS --songs 700
    python bench/pitches_music.py say TALK.npy                  once: what people say while songs are filmed

Needs the Python packages tinysoundfont and, to make these files, PyAV and espeak-ng.
"""

from __future__ import annotations

import argparse
import io
import multiprocessing
import re
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from placing import songs

RATE_HZ, LENGTH_S = 16000, 32.0
PITCHED, STEMS, MOST_NOTES = 8, 10, 400
STARTS = ((-2, 0.3), (-1, 0.8), (0, 1.0), (1, 0.8), (2, 0.3))  # what is to be told around a start, by frames of 5 ms
STRUCK, BLOWN, BOWED = 0, 1, 2
"""How a note goes on: it dies away, it stays, or it comes slowly."""

Played = tuple[float, float, int, int]
"""A note: start and length in seconds, pitch and velocity as in MIDI."""

OTHER_FONT, SAME_FONT = "TimGM6mb.sf2", "FluidR3Mono_GM.sf3"
_KINDS = ("bass", "melody", "counter", "chords", "broken", "held")
_LOWEST = {
    "bass": (28, 41),
    "melody": (55, 77),
    "counter": (45, 70),
    "chords": (46, 65),
    "broken": (40, 70),
    "held": (43, 65),
}
_UNITS = {
    "bass": (0.5, 1, 2),
    "melody": (0.25, 0.5, 1),
    "counter": (0.25, 0.5, 1, 2),
    "chords": (0.5, 1, 2),
    "broken": (0.25, 0.5),
    "held": (2, 4),
}
TALK_S = 200
VOICES = ("en+m2", "en+m4", "en+m5", "en+m7", "en+f1", "en+f3", "en+f5", "en")
SENTENCES = (
    "The river was higher than anybody remembered, and the ferry stayed at its post all day.",
    "I can hear it from here. Do you want me to stand a bit further back?",
    "Two spoons of sugar, a little salt, and then you stir until it is smooth.",
    "They painted the fence green last summer and nobody liked it much.",
    "Ready when you are. No, hold on, somebody is at the door again.",
    "What did he say about the weather for the weekend?",
    "The train leaves at seven forty five from platform nine.",
    "Yes. No. Maybe later. Let me think about it.",
    "We walked around the lake twice and then had soup.",
    "Please put the chairs back against the wall before you leave.",
    "My grandmother kept bees, and every spring she gave away the first jar.",
    "Careful, that one is heavy. Lift from the other side.",
    "Okay. Quiet, please. And go.",
    "It sounded better on the other side of the room, didn't it?",
    "There is a spare battery in the blue bag, next to the tape.",
)
_BOWED = {"violin", "cello", "contrabass"}
_STRUCK = {"piano", "guitar-acoustic", "guitar-nylon", "guitar-electric", "bass-electric", "harp", "xylophone"}


def recorded(folder: Path, path: Path) -> None:
    """Pack notes of real instruments: up to ten of each, at most four seconds, at 16 kHz in 8 bits of mu-law."""
    import av

    kept: dict[str, NDArray[Any]] = {}
    for package in sorted(folder.iterdir()):
        notes = {}
        for file in sorted(package.glob("*.mp3")):
            named = re.fullmatch(r"([A-G])(s?)(\d)", file.stem)
            if named:
                notes[12 * (int(named[3]) + 1) + "C D EF G A B".index(named[1]) + bool(named[2])] = file
        chosen = sorted(notes)
        for pitch in [chosen[i] for i in sorted({round(i) for i in np.linspace(0, len(chosen) - 1, 10)})]:
            with av.open(str(notes[pitch])) as container:
                to = av.AudioResampler(format="flt", layout="mono", rate=RATE_HZ)
                blocks = [out.to_ndarray()[0] for frame in container.decode(audio=0) for out in to.resample(frame)]
            sound = np.concatenate(blocks)
            begun = int(np.argmax(np.abs(sound) > 0.02 * np.abs(sound).max()))
            sound = sound[begun : begun + 4 * RATE_HZ] / np.abs(sound).max()
            kept[f"{package.name}/{pitch}"] = np.round(
                127 * np.sign(sound) * np.log1p(255 * np.abs(sound)) / np.log(256)
            ).astype(np.int8)
    np.savez_compressed(path, **kept)


class Band:
    """Whoever plays: sound fonts, recorded notes and tones of our own."""

    def __init__(self, notes: Path, fonts: Path) -> None:
        import tinysoundfont

        self._synth = tinysoundfont.Synth(samplerate=2 * RATE_HZ)
        self._fonts = {name: self._synth.sfload(str(fonts / name)) for name in (SAME_FONT, OTHER_FONT)}
        used = {program for plan in (*songs.PLANS, *songs.PRACTICE) for program in plan.programs}
        every = [program for program in (*range(96), *range(104, 112)) if program not in (47, 55)]
        self._programs = {SAME_FONT: [one for one in every if one not in used], OTHER_FONT: every}
        self._recorded: dict[str, dict[int, NDArray[np.float32]]] = {}
        with np.load(notes) as kept:
            for name in kept.files:
                instrument, pitch = name.split("/")
                level = kept[name].astype(np.float32) / 127
                sound = np.sign(level) * np.expm1(np.abs(level) * np.log(256)) / 255
                self._recorded.setdefault(instrument, {})[int(pitch)] = sound.astype(np.float32)

    def played(self, notes: list[Played], rng: np.random.Generator) -> tuple[NDArray[np.float32], int]:
        """Play notes (start and length in seconds, pitch, velocity) and say how such notes go on."""
        how = rng.choice(["same", "other", "recorded", "made"], p=[0.38, 0.24, 0.18, 0.2])
        if how == "recorded":
            name = str(rng.choice(sorted(self._recorded)))
            kind = STRUCK if name in _STRUCK else BOWED if name in _BOWED else BLOWN
            return self._of_recorded(notes, self._recorded[name], kind, rng), kind
        if how == "made":
            return _made(notes, rng)
        font = SAME_FONT if how == "same" else OTHER_FONT
        program = int(rng.choice(self._programs[font]))
        struck = program < 16 or 24 <= program < 40 or program in (45, 46) or 104 <= program < 109
        bowed = 40 <= program < 45 or 48 <= program < 55 or 88 <= program < 96 or program == 110
        return self._of_font(notes, font, program, False, rng), STRUCK if struck else BOWED if bowed else BLOWN

    def drummed(self, notes: list[Played], rng: np.random.Generator) -> NDArray[np.float32]:
        """Play notes on a drum kit."""
        return self._of_font(notes, str(rng.choice([SAME_FONT, OTHER_FONT])), 0, True, rng)

    def _of_font(
        self, notes: Any, font: str, program: int, drums: bool, rng: np.random.Generator
    ) -> NDArray[np.float32]:
        synth = self._synth
        channel = 9 if drums else 0
        synth.sounds_off()
        try:
            synth.program_select(channel, self._fonts[font], 128 if drums else 0, program, drums)
        except (RuntimeError, ValueError):
            synth.program_select(channel, self._fonts[font], 0, program, drums)
        synth.set_tuning(channel, float(rng.normal(0, 0.06)) if not drums else 0.0)
        events = [(at, 1, pitch, strength) for at, _, pitch, strength in notes]
        events += [(at + max(0.92 * held, 0.05), 0, pitch, 0) for at, held, pitch, _ in notes]
        out, done = [], 0
        for at, on, pitch, strength in sorted(events):
            sample = round(at * 2 * RATE_HZ)
            if sample > done:
                out.append(np.frombuffer(bytes(synth.generate(sample - done)), np.float32))
                done = sample
            if on:
                synth.noteon(channel, pitch, strength)
            else:
                synth.noteoff(channel, pitch)
        out.append(np.frombuffer(bytes(synth.generate(2 * RATE_HZ)), np.float32))
        sound = np.concatenate(out).reshape(-1, 2).mean(axis=1)
        return np.asarray(signal.resample_poly(sound, 1, 2), np.float32)

    def _of_recorded(
        self, notes: Any, sounds: dict[int, NDArray[np.float32]], kind: int, rng: np.random.Generator
    ) -> NDArray[np.float32]:
        out = np.zeros(round((LENGTH_S + 6) * RATE_HZ), np.float32)
        pitches = np.array(sorted(sounds))
        tuned = rng.normal(0, 0.06)
        for at, held, pitch, strength in notes:
            nearest = int(pitches[np.argmin(np.abs(pitches - pitch))])
            source = sounds[nearest]
            step = 2 ** ((pitch + tuned - nearest) / 12)
            count = min(
                int(len(source) / step),
                round((held + 0.6) * RATE_HZ) if kind != STRUCK or rng.random() < 0.7 else len(source),
            )
            tone = np.interp(np.arange(count) * step, np.arange(len(source)), source).astype(np.float32)
            over = round(0.92 * held * RATE_HZ)
            if over < count:
                tone[over:] *= np.exp(-np.arange(count - over) / (0.08 * RATE_HZ))
            _add(out, tone * (strength / 100) ** 1.5, at)
        return out


def _add(out: NDArray[np.float32], tone: NDArray[np.float32], at_s: float) -> None:
    first = round(at_s * RATE_HZ)
    tone = tone[: max(0, len(out) - first)]
    out[first : first + len(tone)] += tone


def _made(notes: list[Played], rng: np.random.Generator) -> tuple[NDArray[np.float32], int]:
    """Play notes by partials: an organ, a bow, a pad, a bell or none of these, as drawn."""
    kind = int(rng.choice([STRUCK, BLOWN, BOWED], p=[0.25, 0.35, 0.4]))
    attack_s = {
        STRUCK: rng.uniform(0.001, 0.006),
        BLOWN: rng.uniform(0.005, 0.06),
        BOWED: 10 ** rng.uniform(-1.4, -0.5),
    }[kind]
    fade_s = 10 ** rng.uniform(-0.7, 0.5) if kind == STRUCK else 30.0
    release_s = rng.uniform(0.03, 0.15) if kind != BOWED else rng.uniform(0.05, 0.5)
    if rng.random() < 0.4:  # an organ's ranks: octaves and twelfths
        orders = np.array([0.5, 1, 1.5, 2, 3, 4, 5, 6, 8])
        sizes = rng.uniform(0, 1, len(orders)) ** 2
        sizes[1] += 0.3
    else:
        orders = np.arange(1, 15.0) * (
            1 + (rng.uniform(0, 0.02) * np.arange(14) if kind == STRUCK and rng.random() < 0.3 else 0)
        )
        sizes = orders ** -rng.uniform(0.5, 2.2) * rng.uniform(0.4, 1.6, len(orders)) * (rng.random(len(orders)) < 0.9)
        sizes[0] = max(sizes[0], 0.2)
    voices = int(rng.choice([1, 1, 2, 3]))
    wide = rng.uniform(0.02, 0.12)
    depth, rate = (rng.uniform(0, 0.35), rng.uniform(4, 7)) if rng.random() < 0.5 else (0.0, 5.0)
    brighter_s, breath = 10 ** rng.uniform(-2, -0.3), rng.uniform(0, 0.05) * (rng.random() < 0.4)
    out = np.zeros(round((LENGTH_S + 6) * RATE_HZ), np.float32)
    for at, held, pitch, strength in notes:
        count = round((min(held * 0.92, 4 * fade_s) + 3 * release_s) * RATE_HZ)
        t = np.arange(count) / RATE_HZ
        body = (1 - np.exp(-t / attack_s)) * np.exp(-t / fade_s) * np.exp(-np.maximum(t - held * 0.92, 0) / release_s)
        tone = np.zeros(count)
        for _ in range(voices):
            hz = 440 * 2 ** ((pitch - 69 + rng.normal(0, wide)) / 12)
            phase = (
                2
                * np.pi
                * hz
                * (
                    t
                    - depth
                    * 0.0578
                    / (2 * np.pi * rate)
                    * np.cos(2 * np.pi * rate * t + rng.uniform(0, 6))
                    * np.minimum(t / 0.3, 1)
                )
            )
            for order, size in zip(orders, sizes, strict=True):
                if size > 0.004 and hz * order < 7500:
                    slow = 1 - np.exp(-t / (brighter_s * order / 4)) if order > 2 else 1.0
                    tone += size * slow * np.exp(-t * order / (8 * fade_s)) * np.sin(order * phase + rng.uniform(0, 6))
        tone += breath * rng.normal(size=count)
        _add(out, (tone * body * (strength / 100) ** 1.5).astype(np.float32), at)
    return out, kind


def _part(
    rng: np.random.Generator, beat_s: float, kind: str, scale: NDArray[np.int64], tonic: int, chords: NDArray[np.int64]
) -> list[Played]:
    """Write a part over chords, one a bar: phrases of steps, leaps, broken chords, or one note again and again."""
    low = int(rng.integers(*_LOWEST[kind]))
    low += (tonic - low) % 12 - 6

    def pitch_of(degree: int) -> int:
        return low + 12 * (degree // 7) + int(scale[degree % 7])

    notes, at, degree = [], float(rng.choice([0, 0, 4, 8])), int(rng.integers(0, 8))
    until, way, unit, sparse = at, "steps", 1.0, 0.1
    while at * beat_s < LENGTH_S - 1.2:
        if at >= until:
            until = at + float(rng.choice([4, 8, 8, 16]))
            way = {"chords": "block", "held": "block", "broken": "broken"}.get(kind) or str(
                rng.choice(["steps", "steps", "leaps", "again", "broken"])
            )
            unit, sparse = float(rng.choice(_UNITS[kind])), float(rng.choice([0.03, 0.1, 0.35]))
            if rng.random() < 0.08:
                at = until
                continue
        beats = unit * float(rng.choice([1, 1, 1, 2, 3, 0.5], p=[0.6, 0.1, 0.1, 0.12, 0.04, 0.04]))
        chord = int(chords[int(at // 4) % len(chords)])
        if way == "steps":
            degree += int(rng.choice([-2, -1, -1, 0, 1, 1, 2]))
        elif way == "leaps":
            degree += int(rng.choice([-5, -4, -3, -2, 2, 3, 4, 5]))
        elif way == "broken":
            degree = chord + int(rng.choice([0, 2, 4, 7, 9]))
        degree = int(np.clip(degree, -2, 14))
        several = (
            [chord + one for one in rng.choice([0, 2, 4, 6, 7, 9], int(rng.integers(2, 5)), replace=False)]
            if way == "block"
            else [degree, degree + 2]
            if rng.random() < 0.05
            else [degree]
        )
        if rng.random() > sparse:
            held = beats * beat_s * float(rng.choice([0.4, 0.8, 1.0, 1.05], p=[0.15, 0.25, 0.4, 0.2]))
            late = rng.normal(0, 0.008)
            for one in several:
                strength = int(np.clip(82 + rng.normal(0, 13), 30, 124))
                pitch = pitch_of(int(one))
                if 26 <= pitch <= 106:
                    notes.append((max(0.0, at * beat_s + late + rng.normal(0, 0.004)), held, pitch, strength))
        at += beats
    return notes[:MOST_NOTES]


def _beaten(rng: np.random.Generator, beat_s: float, sounds: NDArray[np.int64]) -> list[Played]:
    """Write two bars for a few sounds of a kit and play them over and over, not always alike."""
    grid = int(rng.choice([2, 2, 4, 3]))
    likely = rng.uniform(0, 1, (8 * grid, len(sounds))) < rng.uniform(0.05, 0.45, len(sounds))
    notes = []
    for step in range(int((LENGTH_S - 1) / beat_s * grid)):
        for which, pitch in enumerate(sounds):
            if likely[step % (8 * grid), which] != (rng.random() < 0.06):
                at = step * beat_s / grid + rng.normal(0, 0.006)
                notes.append((max(0.0, at), 0.1, int(pitch), int(np.clip(85 + rng.normal(0, 15), 30, 124))))
    return notes


def make_song(number: int, band: Band) -> tuple[NDArray[np.int16], NDArray[np.float32]]:
    """Return a song: stems (10, samples), and notes (10, 400, 3): start in seconds, pitch and how they go on, or -1."""
    rng = np.random.default_rng([779, number])
    beat_s, tonic = 60 / rng.uniform(60, 160), int(rng.integers(0, 12))
    scale = np.cumsum([0, *np.roll([2, 2, 1, 2, 2, 2, 1], int(rng.integers(0, 7)))])[:7]
    chords = rng.integers(0, 7, int(rng.choice([2, 4, 4, 8])))
    count = round(LENGTH_S * RATE_HZ)
    stems, told = np.zeros((STEMS, count), np.int16), np.full((STEMS, MOST_NOTES, 3), -1, np.float32)

    def keep(row: int, sound: NDArray[np.float32]) -> bool:
        most = float(np.abs(sound[:count]).max(initial=0))
        if most > 1e-4:
            stems[row, : min(count, len(sound))] = np.round(sound[:count] * (26000 / most))
        return most > 1e-4

    for row in range(PITCHED):
        kind = "bass" if row == 0 else str(rng.choice(_KINDS[1:]))
        notes = _part(rng, beat_s, kind, scale, tonic, chords)
        if len(notes) >= 5:
            sound, way = band.played(notes, rng)
            if keep(row, sound):
                told[row, : len(notes)] = [(at, pitch, way) for at, _, pitch, _ in notes]
    keep(PITCHED, band.drummed(_beaten(rng, beat_s, np.array([36, 38, 42, *rng.integers(35, 58, 2)])), rng))
    keep(PITCHED + 1, band.drummed(_beaten(rng, beat_s, rng.integers(54, 82, 3)), rng))
    return stems, told


_band: Band


def _begin(notes: Path, fonts: Path) -> None:
    global _band
    _band = Band(notes, fonts)


def _one(asked: tuple[int, Path]) -> None:
    stems, told = make_song(asked[0], _band)
    buffer = io.BytesIO()
    np.savez(buffer, stems=stems, told=told)
    asked[1].write_bytes(buffer.getvalue())


def make(notes: Path, fonts: Path, folder: Path, count: int, first: int = 0) -> None:
    """Make songs in a folder, each by number, on all cores."""
    folder.mkdir(parents=True, exist_ok=True)
    asked = [(number, folder / f"{number:05}.npz") for number in range(first, first + count)]
    with multiprocessing.Pool(initializer=_begin, initargs=(notes, fonts)) as pool:
        for _ in pool.imap_unordered(_one, asked, 4):
            pass


def say(path: Path) -> None:
    """Write 200 s of talk at 16 kHz, by voices and with words that no clip of the benchmark has."""
    import soundfile

    rng = np.random.default_rng(5)
    said: list[NDArray[np.float64]] = []
    while sum(map(len, said)) < TALK_S * RATE_HZ:
        with tempfile.NamedTemporaryFile(suffix=".wav") as file:
            how = ["-v", str(rng.choice(VOICES)), "-s", str(rng.integers(120, 200)), "-p", str(rng.integers(30, 70))]
            subprocess.run(["espeak-ng", *how, "-w", file.name, str(rng.choice(SENTENCES))], check=True)
            sound, rate_hz = soundfile.read(file.name)
        heard = signal.resample_poly(sound, RATE_HZ, rate_hz)
        said += [heard / np.sqrt(np.mean(heard**2)) / 12, np.zeros(round(rng.uniform(0.2, 1.2) * RATE_HZ))]
    np.save(path, np.round(np.concatenate(said) * 32767).clip(-32768, 32767).astype(np.int16))


def main() -> None:
    """Pack recorded notes, make songs, or say something."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ways = options.add_subparsers(dest="way", required=True)
    packing = ways.add_parser("recorded")
    packing.add_argument("folder", type=Path)
    packing.add_argument("notes", type=Path)
    making = ways.add_parser("make")
    making.add_argument("notes", type=Path)
    making.add_argument("fonts", type=Path)
    making.add_argument("folder", type=Path)
    making.add_argument("--songs", type=int, default=600)
    making.add_argument("--first", type=int, default=0)
    saying = ways.add_parser("say")
    saying.add_argument("talk", type=Path)
    asked = options.parse_args()
    if asked.way == "recorded":
        recorded(asked.folder, asked.notes)
    elif asked.way == "say":
        say(asked.talk)
    else:
        make(asked.notes, asked.fonts, asked.folder, asked.songs, asked.first)


if __name__ == "__main__":
    main()
