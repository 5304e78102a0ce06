"""Songs to place clips on: public-domain scores, played by a sound font, with every stem and a finished mix.

The notes come from the corpus inside the PyPI package music21. Of each score only notes (times and pitches) are
taken, and only from scores whose composers died before 1918 and whose files carry no terms of their own, or a
dedication to the public domain (read in the files on 25 November 2026: ``weber`` "Released to Public Domain",
``liliuokalani`` "Public Domain ... CC0", all others here without a rights statement). Nothing of them is stored in
this project.

A player is not a machine: every note is some milliseconds off and more or less strong, from the seed. A drum part and
a programmed loop, both written here, go with every song, since the corpus holds none.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import signal

RATE_HZ = 32000
FONTS = (Path("/usr/share/sounds/sf2/FluidR3_GM.sf2"), Path("/usr/share/soundfonts/FluidR3_GM.sf2"))

Sound = NDArray[np.float32]


@dataclass(frozen=True)
class Note:
    """A note of a performance, in seconds; ``pitch`` and ``velocity`` as in MIDI (1.0, 1996)."""

    start_s: float
    length_s: float
    pitch: int
    velocity: int


@dataclass(frozen=True)
class Plan:
    """A song to make: the score within the corpus, its tempo and length, and a General MIDI program for each part.

    Songs come in threes of one tempo and one set of instruments, so that strangers resemble the song.
    """

    name: str
    score: str
    bpm: float
    length_s: float
    programs: tuple[int, ...]


# General MIDI level 1 program numbers, from 0.
PIANO, VIBRAPHONE, GLOCKENSPIEL, ORGAN, REED_ORGAN, ACCORDION = 0, 11, 9, 19, 20, 21
GUITAR, BASS, STRINGS, CHOIR, CLARINET, FLUTE, PAD, CELLO = 24, 32, 48, 52, 71, 73, 89, 42

PLANS = (
    Plan("a1", "haydn/opus74no1/movement1", 92, 178, (GLOCKENSPIEL, GUITAR, REED_ORGAN, BASS)),
    Plan("a2", "mozart/k155/movement1", 92, 96, (GLOCKENSPIEL, GUITAR, REED_ORGAN, BASS)),
    Plan("a3", "beethoven/opus18no1/movement3", 92, 84, (GLOCKENSPIEL, GUITAR, REED_ORGAN, BASS)),
    Plan("b1", "mozart/k458/movement1", 112, 172, (PIANO, STRINGS, CHOIR, CELLO)),
    Plan("b2", "haydn/opus74no1/movement3", 112, 90, (PIANO, STRINGS, CHOIR, CELLO)),
    Plan("b3", "schumann_robert/opus41no1/movement2", 112, 100, (PIANO, STRINGS, CHOIR, CELLO)),
    Plan("c1", "beethoven/opus59no1/movement2", 126, 180, (FLUTE, VIBRAPHONE, PAD, BASS)),
    Plan("c2", "mozart/k156/movement3", 126, 80, (FLUTE, VIBRAPHONE, PAD, BASS)),
    Plan("c3", "haydn/opus1no1/movement1", 126, 88, (FLUTE, VIBRAPHONE, PAD, BASS)),
    Plan("d1", "joplin/maple_leaf_rag", 100, 170, (PIANO, GUITAR)),
    Plan("d2", "liliuokalani/aloha_oe", 100, 92, (CLARINET, ACCORDION, GUITAR, BASS)),
    Plan("d3", "weber/concertino_clarinet", 100, 110, (CLARINET, ORGAN)),
)

# Other scores and other instruments, to try and to tune on: nothing that was set by these is measured by them.
CELESTA, HARMONICA, VIOLIN, VOICE, OBOE, WARM_PAD = 8, 22, 40, 53, 68, 91
STEEL_GUITAR, PICKED_BASS, ELECTRIC_PIANO, DRAWBAR_ORGAN = 25, 34, 4, 16
PRACTICE = (
    Plan("p1", "haydn/opus74no1/movement2", 84, 165, (CELESTA, STEEL_GUITAR, HARMONICA, PICKED_BASS)),
    Plan("p2", "mozart/k155/movement3", 84, 90, (CELESTA, STEEL_GUITAR, HARMONICA, PICKED_BASS)),
    Plan("q1", "mozart/k458/movement2", 104, 170, (ELECTRIC_PIANO, VOICE, DRAWBAR_ORGAN, CELLO)),
    Plan("q2", "beethoven/opus18no1/movement1", 104, 90, (ELECTRIC_PIANO, VOICE, DRAWBAR_ORGAN, CELLO)),
    Plan("r1", "beethoven/opus59no2/movement3", 120, 160, (OBOE, VIOLIN, WARM_PAD, PICKED_BASS)),
    Plan("r2", "schumann_robert/opus41no1/movement3", 120, 90, (OBOE, VIOLIN, WARM_PAD, PICKED_BASS)),
)
SOFT = frozenset({ORGAN, REED_ORGAN, ACCORDION, STRINGS, CHOIR, PAD, HARMONICA, VOICE, WARM_PAD, DRAWBAR_ORGAN})
"""Programs with slow attacks."""

KICK, SNARE, HAT, SHAKER = 36, 38, 42, 70


@dataclass(frozen=True)
class Song:
    """A song: stems, dry and mono at 32 kHz, by part; its mix; and the notes as they were played."""

    plan: Plan
    stems: dict[str, Sound]
    mix: Sound
    notes: dict[str, list[Note]]  # those of the loop and of recorded parts are not known: one as long as the part

    def soft(self, part: str) -> bool:
        """Say whether a part is one of slow attacks."""
        return part.isdigit() and self.plan.programs[int(part)] in SOFT


def missing_tools() -> str | None:
    """Return a sentence that says what to install before the material can be made, or None where all is here."""
    programs = [name for name in ("fluidsynth", "espeak-ng") if shutil.which(name) is None]
    if not any(font.is_file() for font in FONTS):
        programs.append("fluid-soundfont-gm")
    packages = [name for name in ("music21", "pyroomacoustics", "mido", "librosa") if not _importable(name)]
    ways = [f"{how} {' '.join(names)}" for how, names in
            (("apt-get install", programs), ("pip install", packages)) if names]  # fmt: skip
    return (
        f"The songs and rooms of this benchmark cannot be made yet; do this first: {', and '.join(ways)}."
        if ways
        else None
    )


RECORDED = Plan("recorded", "", 0, 6.0, ())
"""An excerpt of six seconds of a recorded song, four stems and the mix, that no one made for this.

It lies inside the PyPI package stempeg as a file of several sound streams, the mix first; its licence (CC BY-NC-SA 3.0,
said in the package's description) lets it be used here but not be part of this project."""


def recording() -> Path | None:
    """Return the file with the recorded excerpt, if its package is installed."""
    from importlib.util import find_spec

    spec = find_spec("stempeg")
    places = [Path(place) for place in spec.submodule_search_locations or ()] if spec else []
    return next((file for place in places for file in sorted((place / "data").glob("*.mp4"))), None)


def song(plan: Plan, folder: Path, seed: int) -> Song:
    """Return a song, from the folder if it was made before."""
    if plan is RECORDED:
        return _recorded()
    here = folder / plan.name
    if not (here / "notes.json").is_file():
        here.mkdir(parents=True, exist_ok=True)
        _make(plan, here, seed)
    notes = {part: [Note(*row) for row in rows] for part, rows in json.loads((here / "notes.json").read_text()).items()}
    stems = {part: _read(here / f"{part}.wav") for part in notes}
    return Song(plan, stems, _read(here / "mix.wav"), notes)


def again(made: Song, part: str, folder: Path, seed: int) -> Sound:
    """Return the part of a song played once more, each note differently late and strong."""
    path = folder / made.plan.name / f"{part}-again.wav"
    if not path.is_file():
        rng = np.random.default_rng([seed, 77])
        notes = [_played(note, rng) for note in made.notes[part]]
        program = made.plan.programs[int(part)] if part.isdigit() else None
        _write(path, _rendered(notes, program, made.plan.length_s))
    return _read(path)


# --- making ---------------------------------------------------------------------------------------


def _make(plan: Plan, here: Path, seed: int) -> None:
    number = [entry.name for entry in (*PLANS, *PRACTICE)].index(plan.name)
    written = _score(plan)
    notes: dict[str, list[Note]] = {}
    for index, rows in enumerate(written[: len(plan.programs)]):
        rng = np.random.default_rng([seed, number, index])
        notes[str(index)] = [_played(note, rng) for note in rows]
    rng = np.random.default_rng([seed, number, 100])
    notes["drums"] = [_played(note, rng) for note in _drums(plan, rng)]
    stems = {
        part: _rendered(rows, plan.programs[int(part)] if part.isdigit() else None, plan.length_s)
        for part, rows in notes.items()
    }
    stems["loop"], notes["loop"] = _loop(plan, np.random.default_rng([seed, number, 102]))
    for part, sound in stems.items():
        _write(here / f"{part}.wav", sound)
    _write(here / "mix.wav", _mixed(stems, np.random.default_rng([seed, number, 101])))
    rows_by_part = {part: [list(asdict(note).values()) for note in rows] for part, rows in notes.items()}
    (here / "notes.json").write_text(json.dumps(rows_by_part))  # written last: what is there is whole


def _score(plan: Plan) -> list[list[Note]]:
    """Read the parts' notes at the plan's tempo, from the beginning again where the score is too short."""
    from music21 import corpus

    score = corpus.parse(plan.score).stripTies()
    beat_s = 60 / plan.bpm
    parts: list[list[Note]] = []
    end_s = float(score.highestTime) * beat_s
    for part in score.parts:
        once = [
            Note(float(element.offset) * beat_s, float(element.quarterLength) * beat_s, pitch.midi, 80)
            for element in part.flatten().notes
            for pitch in element.pitches
            if element.quarterLength > 0
        ]
        turns = int(np.ceil(plan.length_s / end_s))
        rows = [
            Note(note.start_s + turn * end_s, note.length_s, note.pitch, note.velocity)
            for turn in range(turns)
            for note in once
        ]
        parts.append([note for note in rows if note.start_s < plan.length_s - 3])
    if len(parts) < len(plan.programs):
        raise SystemExit(f"{plan.score} in the corpus has {len(parts)} parts, not {len(plan.programs)}.")
    return parts


def _drums(plan: Plan, rng: np.random.Generator) -> list[Note]:
    """Write a drum part: kick, snare, hats and a fill every eighth bar, no two phrases alike."""
    beat_s = 60 / plan.bpm
    notes = []
    for eighth in range(int((plan.length_s - 3) / beat_s * 2)):
        at_s, place = eighth * beat_s / 2, eighth % 8
        if place in (0, 4) or rng.random() < 0.12:
            notes.append(Note(at_s, 0.1, KICK, 95))
        if place in (2, 6) or (eighth % 64 >= 60 and rng.random() < 0.8):
            notes.append(Note(at_s, 0.1, SNARE, 90))
        if rng.random() < 0.85:
            notes.append(Note(at_s, 0.1, HAT, 60))
    return notes


def _played(note: Note, rng: np.random.Generator) -> Note:
    # 8 ms: the scatter of trained players against a click lies at 5 to 20 ms (from memory).
    late_s, strength = rng.normal(0, 0.008), rng.normal(0, 10)
    return Note(
        max(0.0, note.start_s + late_s), note.length_s, note.pitch, int(np.clip(note.velocity + strength, 30, 120))
    )


def _loop(plan: Plan, rng: np.random.Generator) -> tuple[Sound, list[Note]]:
    """Return two bars of machine percussion repeated to the sample, from the fifth bar to four bars before the end."""
    beat_s = 60 / plan.bpm
    pattern = [
        Note(
            beat * beat_s, 0.1, int(rng.choice([SHAKER, HAT, SNARE])) if beat % 2 else KICK, int(rng.integers(60, 100))
        )
        for beat in np.arange(0, 8, 0.5)
        if beat % 2 == 0 or rng.random() < 0.7
    ]
    turn = round(8 * beat_s * RATE_HZ)
    once = _rendered(pattern, None, 8 * beat_s + 1)
    once[: len(once) - turn] += once[turn:]  # what rings on rings into the next turn
    once = once[:turn]
    first, turns = 2 * turn, int((plan.length_s * RATE_HZ) // turn) - 4
    out = np.zeros(round(plan.length_s * RATE_HZ), np.float32)
    out[first : first + turns * turn] = np.tile(once, turns)
    return out, [Note(first / RATE_HZ, turns * turn / RATE_HZ, KICK, 80)]


def _recorded() -> Song:
    import av
    from av.audio.resampler import AudioResampler

    path = recording()
    if path is None:
        raise SystemExit("The recorded excerpt needs the Python package stempeg (pip install --no-deps stempeg).")
    streams = []
    with av.open(str(path)) as container:
        count = len(container.streams.audio)
    for index in range(count):
        with av.open(str(path)) as container:
            to = AudioResampler(format="flt", layout="mono", rate=RATE_HZ)
            blocks = [out.to_ndarray()[0] for frame in container.decode(audio=index) for out in to.resample(frame)]
            blocks += [out.to_ndarray()[0] for out in to.resample(None)]
        streams.append(np.concatenate(blocks).astype(np.float32))
    stems = {str(number): stream for number, stream in enumerate(streams[1:])}
    notes = {part: [Note(0.0, len(stem) / RATE_HZ, 60, 80)] for part, stem in stems.items()}
    return Song(RECORDED, stems, streams[0], notes)


def _mixed(stems: dict[str, Sound], rng: np.random.Generator) -> Sound:
    """Mix as a studio would: levels, some reverberation on each stem, a bus compressor, a limiter."""
    total = np.zeros(len(stems["drums"]))
    for part, stem in sorted(stems.items()):
        level = 10 ** ((rng.uniform(-4, 3) - (9 if part == "loop" else 0)) / 20)
        loud = float(np.sqrt(np.mean(stem.astype(np.float64) ** 2))) or 1.0
        tail_s = rng.uniform(0.6, 1.4)
        t = np.arange(round(tail_s * RATE_HZ)) / RATE_HZ
        tail = rng.normal(size=len(t)) * 10 ** (-3 * t / tail_s)
        tail *= 10 ** (-14 / 20) / np.sqrt(np.sum(tail**2))
        tail[0] += 1.0
        total += level / loud * signal.fftconvolve(stem, tail)[: len(total)]
    total /= np.sqrt(np.mean(total**2))
    power = signal.sosfilt(signal.butter(1, 3, fs=RATE_HZ, output="sos"), total**2)
    total *= np.maximum(np.maximum(power, 1e-6) / 1.0, 1.0) ** -0.25  # 2:1 above the mean level
    return np.asarray(0.7 * np.tanh(total / 4), np.float32)


def _rendered(notes: list[Note], program: int | None, length_s: float) -> Sound:
    """Play notes through the sound font, dry; program None is the drum kit."""
    import mido
    import soundfile

    channel, ticks_per_s = (9 if program is None else 0), 1920
    events = [(0.0, 0, mido.Message("program_change", channel=channel, program=program or 0))]
    for note in notes:
        events.append(
            (note.start_s, 2, mido.Message("note_on", channel=channel, note=note.pitch, velocity=note.velocity))
        )
        stop_s = note.start_s + max(note.length_s * 0.92, 0.05)
        events.append((stop_s, 1, mido.Message("note_off", channel=channel, note=note.pitch)))
    track, before = mido.MidiTrack(), 0
    for at_s, _, message in sorted(events, key=lambda event: event[:2]):
        tick = round(at_s * ticks_per_s)
        track.append(message.copy(time=tick - before))
        before = tick
    with tempfile.TemporaryDirectory() as name:
        midi, wav = Path(name) / "part.mid", Path(name) / "part.wav"
        file = mido.MidiFile(ticks_per_beat=960)  # at the 120 beats a minute that a file without tempo has
        file.tracks.append(track)
        file.save(midi)
        font = next(font for font in FONTS if font.is_file())
        command = ["fluidsynth", "-n", "-i", "-q", "-g", "0.5", "-R", "0", "-C", "0", "-r", str(RATE_HZ),
                   "-O", "float", "-T", "wav", "-F", str(wav), str(font), str(midi)]  # fmt: skip
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode != 0 or not wav.is_file():
            raise SystemExit(f"fluidsynth did not play a part: {done.stderr.strip() or done.stdout.strip()}")
        sound = soundfile.read(wav, dtype="float32", always_2d=True)[0].mean(axis=1)
    out = np.zeros(round(length_s * RATE_HZ), np.float32)
    out[: min(len(out), len(sound))] = sound[: len(out)]
    peak = float(np.abs(out).max())
    if peak == 0:
        raise SystemExit("fluidsynth played a part without any sound; is the sound font whole?")
    return out * np.float32(0.7 / peak)


def _write(path: Path, sound: Sound) -> None:
    import soundfile

    temporary = path.with_name("partial-" + path.name)
    soundfile.write(temporary, sound, RATE_HZ, subtype="PCM_24")
    temporary.replace(path)


def _read(path: Path) -> Sound:
    import soundfile

    return np.asarray(soundfile.read(path, dtype="float32")[0], np.float32)


def _importable(module: str) -> bool:
    from importlib.util import find_spec

    return find_spec(module) is not None
