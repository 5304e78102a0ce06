"""How the small network that hears the notes of a clip was taught: random music of our own, and what notes start in it.

``make FOLDER --songs 165`` writes half a minute of music a song: two to four parts in a mode, each by a General MIDI
instrument that no song of ``bench/lineup.py`` uses, most with drums, mixed as those songs are. ``teach FOLDER WEIGHTS``
learns from them which note starts when, and says how well that is told of songs kept apart.

It was taught mixes first, in two goes on one graphics card, a minute and a half in all: 76 songs, then 76 others from
what the first had given (mixes themselves are heard by a larger one now, ``bench/pitches_taught.py``):

    teach FOLDER half.npz --first 0 --count 76 --steps 3500
    teach FOLDER small.npz --first 76 --count 76 --steps 6000 --rate 0.0025 --start half.npz

The weights ``pitches_filmed.npz`` beside ``partsong.lineup.pitches`` go on from there, with 110 parts alone
(``make FOLDER --alone --songs 110``), 42 of the songs, and talk (``say``), all as cameras in rooms would hear them
(``bench/pitches_filmed.py``); six minutes, from copies in 8 bits:

    teach FOLDER pitches_filmed.npz --filmed --count 42 --steps 6000 --rate 0.004 --start small.npz

Making needs what ``bench/lineup.py`` needs (fluidsynth, its sound font), teaching PyTorch. Nobody who only uses the
program needs either.
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

from partsong.lineup import pitches
from partsong.lineup.features import ONSET_RATE_HZ, RATE_HZ, hear
from partsong.lineup.pitches import LOWEST, PITCHES
from partsong.lineup.spectra import floors, spectra
from pitches_music import STARTS
from placing import filming, songs
from placing.songs import Note, Plan

LENGTH_S = 30.0
CROP, BATCH = 1200, 16
BOTH = 0.25  # of what is taught: this share is two songs at once
BEATS = np.array([0.25, 0.5, 1, 1.5, 2, 4])
KINDS = {  # the lowest pitch, and how often notes are how long
    "bass": ((28, 40), (0.5, 4, 4, 1, 2, 1)),
    "melody": ((52, 76), (2, 4, 3, 1, 2, 0.5)),
    "chords": ((46, 64), (0.5, 2, 3, 1, 3, 2)),
    "counter": ((45, 70), (2, 3, 3, 1, 2, 1)),
}
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


def main() -> None:
    """Make music, or teach."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ways = options.add_subparsers(dest="way", required=True)
    making = ways.add_parser("make")
    making.add_argument("folder", type=Path)
    making.add_argument("--songs", type=int, default=165)
    making.add_argument("--alone", action="store_true", help="One part each, and no drums.")
    saying = ways.add_parser("say")
    saying.add_argument("folder", type=Path)
    teaching = ways.add_parser("teach")
    teaching.add_argument("folder", type=Path)
    teaching.add_argument("weights", type=Path)
    teaching.add_argument("--first", type=int, default=0)
    teaching.add_argument("--count", type=int, default=76)
    teaching.add_argument("--steps", type=int, default=3500)
    teaching.add_argument("--rate", type=float, default=0.004)
    teaching.add_argument("--start", type=Path, help="Weights to go on from.")
    teaching.add_argument("--filmed", action="store_true", help="As cameras hear songs, and all parts alone.")
    asked = options.parse_args()
    if asked.way == "make":
        asked.folder.mkdir(parents=True, exist_ok=True)
        for number in range(asked.songs):
            try:
                if asked.alone:
                    make_alone(asked.folder / f"alone-{number:03}.npz", number)
                else:
                    make(asked.folder / f"{number:03}.npz", number)
            except SystemExit as silent:  # an instrument that does not reach so low
                print(f"Song {number} is left out: {silent}")
    elif asked.way == "say":
        say(asked.folder / "talk.npy")
    else:
        teach(asked)


def make(path: Path, number: int) -> None:
    """Write a song: its mix at 16 kHz in 16 bits, and its notes as (start in seconds, pitch)."""
    if path.is_file():
        return
    rng = np.random.default_rng([777, number])
    beat_s, count = 60 / rng.uniform(60, 150), round(LENGTH_S * songs.RATE_HZ)
    kinds = list(rng.choice(["melody", "chords", "counter", "melody", "counter"], int(rng.integers(2, 4))))
    kinds += ["bass"] if rng.random() < 0.7 else []
    tonic = int(rng.integers(0, 12))
    stems, notes = {}, []
    for part, kind in enumerate(kinds):
        played = random_part(rng, beat_s, kind, tonic)
        if len(played) >= 5:
            stems[str(part)] = songs._rendered(played, int(rng.choice(_programs())), LENGTH_S)[:count]
            notes += [(note.start_s, note.pitch) for note in played]
    stems["drums"] = np.zeros(count, np.float32)
    if rng.random() < 0.85:
        written = songs._drums(Plan("", "", 60 / beat_s, LENGTH_S, ()), rng)
        stems["drums"] = songs._rendered([songs._played(note, rng) for note in written], None, LENGTH_S)[:count]
    mix = filming.to_heard_rate(songs._mixed(stems, rng))
    np.savez(path, mix=np.round(mix * 32767).clip(-32768, 32767).astype(np.int16), notes=np.array(notes))


def make_alone(path: Path, number: int) -> None:
    """Write a part alone in the same way."""
    if path.is_file():
        return
    rng = np.random.default_rng([778, number])
    beat_s = 60 / rng.uniform(60, 150)
    played = random_part(rng, beat_s, str(rng.choice(list(KINDS))), int(rng.integers(0, 12)))
    sound = songs._rendered(played, int(rng.choice(_programs())), LENGTH_S)[: round(LENGTH_S * songs.RATE_HZ)]
    heard = filming.to_heard_rate(sound)
    notes = [(note.start_s, note.pitch) for note in played]
    np.savez(path, mix=np.round(0.5 / np.abs(heard).max() * heard * 32767).astype(np.int16), notes=np.array(notes))


def _programs() -> list[int]:
    used = {program for plan in (*songs.PLANS, *songs.PRACTICE) for program in plan.programs}
    return [program for program in range(96) if program not in used and program not in (47, 55)]  # no single beats


def say(path: Path) -> None:
    """Write 200 s of talk at 16 kHz, by voices and with words that no clip of the benchmark has."""
    rng = np.random.default_rng(5)
    said: list[NDArray[np.float64]] = []
    while sum(map(len, said)) < 200 * RATE_HZ:
        with tempfile.NamedTemporaryFile(suffix=".wav") as file:
            how = ["-v", str(rng.choice(VOICES)), "-s", str(rng.integers(120, 200)), "-p", str(rng.integers(30, 70))]
            subprocess.run(["espeak-ng", *how, "-w", file.name, str(rng.choice(SENTENCES))], check=True)
            sound, rate_hz = soundfile.read(file.name)
        heard = signal.resample_poly(sound, RATE_HZ, rate_hz)
        said += [heard / np.sqrt(np.mean(heard**2)) / 12, np.zeros(round(rng.uniform(0.2, 1.2) * RATE_HZ))]
    np.save(path, np.round(np.concatenate(said) * 32767).clip(-32768, 32767).astype(np.int16))


def random_part(rng: np.random.Generator, beat_s: float, kind: str, tonic: int) -> list[Note]:
    """Return a part that walks about in a mode on a tonic, by steps more than by leaps."""
    scale = (0, *np.cumsum(rng.permutation([2, 2, 1, 2, 2, 2, 1])))
    low = {each: int(rng.integers(*lowest)) for each, (lowest, _) in KINDS.items()}[kind]
    low += tonic - low % 12
    notes, at, step = [], float(rng.integers(0, 5)), int(rng.integers(0, 8))
    lengths = np.array(KINDS[kind][1]) * rng.uniform(0.3, 1.7, len(BEATS))
    while at * beat_s < LENGTH_S - 1.5:
        beats = float(rng.choice(BEATS, p=lengths / lengths.sum()))
        if rng.random() < 0.88:
            held_s = beats * beat_s * rng.uniform(0.6, 1.05)
            strength = int(np.clip(80 + rng.normal(0, 10), 30, 120))
            alone = kind != "chords" and rng.random() < 0.93
            above = [0] if alone else rng.choice([0, 2, 4, 7, 9], int(rng.integers(2, 4)), replace=False)
            for more in sorted(int(one) for one in above):
                pitch = low + 12 * ((step + more) // 7) + int(scale[(step + more) % 7])
                if 24 <= pitch <= 108:
                    notes.append(Note(max(0.0, at * beat_s + rng.normal(0, 0.01)), held_s, pitch, strength))
        at += beats
        step = int(np.clip(step + rng.choice([-3, -2, -1, -1, 0, 1, 1, 2, 4]), 0, 13))
    return notes


def teach(asked: argparse.Namespace) -> None:
    """Learn from songs of a folder and write the weights; every tenth song is only listened to."""
    import torch
    from torch import nn

    from pitches_taught import Above

    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(0)
    rng = np.random.default_rng(0)
    paths = sorted(asked.folder.glob("[0-9]*.npz"))[asked.first : asked.first + asked.count]
    if asked.filmed:
        from pitches_filmed import Filmed

        paths += sorted(asked.folder.glob("alone-*.npz"))
        songs_made = [
            (path.name.startswith("alone"), *(torch.tensor(one, device=device) for one in sound_of(path)))
            for path in paths
        ]
        talk = torch.tensor(np.load(asked.folder / "talk.npy") / np.float32(32767), device=device)
        filmed = Filmed(songs_made, talk, device)
    else:
        heard = [tuple(torch.tensor(one, device=device) for one in material(path)) for path in paths]
        kept, taught = heard[::10], [song for number, song in enumerate(heard) if number % 10]

    class Network(nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.attack = nn.Conv2d(8, 16, (3, 7), padding=(1, 3))
            self.partials = Above(16)
            self.before = nn.Conv2d(16, 16, (1, 9), padding=(0, 8), dilation=(1, 2))
            self.others = Above(16)
            self.told = nn.Conv2d(16, 2, (3, 5), padding=(1, 2))
            nn.init.constant_(self.told.bias, -4)  # most of the time nothing starts

        def forward(self, rows: Any) -> Any:
            rows = torch.relu(self.partials(torch.relu(self.attack(rows))))
            rows = rows + torch.relu(self.before(rows))
            rows = rows + torch.relu(self.others(rows))
            return self.told(rows).permute(0, 2, 3, 1).flatten(2)

    network = Network().to(device)
    layers = {"attack": network.attack, "partials": network.partials.lined, "before": network.before,
              "others": network.others.lined, "told": network.told}  # fmt: skip
    if asked.start:
        with np.load(asked.start) as before, torch.no_grad():
            for name, layer in layers.items():
                layer.weight.copy_(torch.tensor(before[name]).reshape(layer.weight.shape))
                layer.bias.copy_(torch.tensor(before[f"{name}_bias"]))
    optimiser = torch.optim.AdamW(network.parameters(), asked.rate, weight_decay=1e-4)
    pace = torch.optim.lr_scheduler.OneCycleLR(optimiser, asked.rate, asked.steps, pct_start=0.1)

    def missed(told: Any, starts: Any) -> Any:
        return nn.functional.binary_cross_entropy_with_logits(told, starts, pos_weight=torch.tensor(3.0, device=device))

    def levels(power: Any, floor: Any) -> Any:
        level = torch.log1p(power / floor) / 4
        return torch.cat([level[..., 0::2], level[..., 1::2]])

    def stretch() -> tuple[Any, Any, Any]:
        power, floor, starts = taught[rng.integers(len(taught))]
        first = 2 * int(rng.integers((power.shape[2] - CROP) // 2))
        return power[:, :, first : first + CROP], floor, starts[:, first : first + CROP]

    def example() -> tuple[Any, Any]:
        power, floor, starts = stretch()
        if rng.random() < BOTH:
            more, more_floor, more_starts = stretch()
            gain = 10 ** rng.uniform(-1.2, 0.6)
            power, floor, starts = power + gain * more, floor + gain * more_floor, torch.maximum(starts, more_starts)
        if rng.random() < 0.5:  # another idea of what is quiet
            floor = floor * 10 ** rng.uniform(-0.7, 0.7)
        move = int(rng.integers(-7, 8))  # another key; what would come from beyond is silent
        rows, starts = torch.roll(levels(power, floor), move, 1), torch.roll(starts, move, 0)
        beyond = slice(0, move) if move >= 0 else slice(PITCHES + move, PITCHES)
        rows[:, beyond], starts[beyond] = 0, 0
        return rows, starts

    def batch() -> tuple[Any, Any]:
        if asked.filmed:
            with torch.no_grad():
                return filmed.batch()
        rows, starts = zip(*(example() for _ in range(BATCH)), strict=True)
        return torch.stack(rows), torch.stack(starts)

    def heldout() -> list[tuple[Any, Any]]:
        return [(levels(power, floor)[None], starts[None]) for power, floor, starts in kept]

    begun = time.monotonic()
    with torch.no_grad():
        apart = filmed.kept() if asked.filmed else heldout()
    for step in range(1, asked.steps + 1):
        rows, starts = batch()
        loss = missed(network(rows), starts)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        pace.step()
        if step % 500 == 0 or step == asked.steps:
            with torch.no_grad():
                told = [missed(network(rows), starts) for rows, starts in apart]
            print(f"{step} steps, {time.monotonic() - begun:.0f} s: taught {loss.item():.5f}, "
                  f"kept apart {torch.stack(told).mean().item():.5f}", flush=True)  # fmt: skip
    weights = {name: layer.weight.detach().cpu().numpy() for name, layer in layers.items()}
    biases = {f"{name}_bias": layer.bias.detach().cpu().numpy() for name, layer in layers.items()}
    np.savez_compressed(asked.weights, **{name: one.reshape(len(one), -1) for name, one in weights.items()}, **biases)


def sound_of(path: Path) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return a song's sound, and what is to be told (pitches, frames)."""
    with np.load(path) as kept:
        sound, notes = kept["mix"].astype(np.float32) / 32767, kept["notes"]
    return sound / np.float32(max(float(np.abs(sound).max()), 1e-9)), to_be_told(notes)


def to_be_told(notes: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return what is to be told (pitches, frames) where notes start, (start in seconds, pitch)."""
    frames = round(LENGTH_S * RATE_HZ) * ONSET_RATE_HZ // RATE_HZ
    starts = np.zeros((PITCHES, frames), np.float32)
    for start_s, pitch in notes:
        row = int(pitch) - LOWEST
        for beside, likely in STARTS:
            frame = round(start_s * ONSET_RATE_HZ) + beside
            if 0 <= row < PITCHES and 0 <= frame < frames:
                starts[row, frame] = max(starts[row, frame], likely)
    return starts


def material(path: Path) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Return a song's powers (windows, pitches, frames), their floors and what is to be told (pitches, frames)."""
    with np.load(path) as kept:
        song, notes = hear(kept["mix"].astype(np.float32) / 32767), kept["notes"]
    powers, quiet = [], []
    for window in pitches._WINDOWS:
        bank = pitches._bank(window)
        powers.append(np.concatenate([power @ bank for power in spectra(song, 0, window)]).T)
        quiet.append(
            floors(np.concatenate([power @ bank for power in spectra(song, 0, window, 16)])).astype(np.float32)[:, None]
        )
    starts = to_be_told(notes)
    frames = starts.shape[1]
    return np.stack(powers)[:, :, :frames], np.stack(quiet), starts


if __name__ == "__main__":
    main()
