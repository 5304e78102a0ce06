"""How the networks that hear notes were taught, of a mix and of a clip: music of our own, drawn anew for every example.

    python bench/pitches_taught.py SONGS WEIGHTS.npz --size 24,64 --seconds 420
    python bench/pitches_taught.py SONGS WEIGHTS.npz --size 24,64 --filmed TALK.npy --start PITCHES.npz

Every example is ten seconds of a song (``bench/pitches_music.py``): some of its parts, with its drums or without, at
levels, in rooms and through a compressor as drawn. What is to be told is which notes start when, of all parts and of
each way in which notes go on (they die away, stay, or come slowly: that is only asked while teaching); and numbers
that are alike for notes of one part and unlike for those of two.

The weights beside ``partsong.lineup.pitches`` were taught in five goes on one graphics card, 39 minutes in all, by
other songs each time: 700 (0 on, 330 s), 1,000 (1000 on, 405 s; from here on parts are told apart) and 850 (3000 on,
385 s), of 48 slow features, six numbers and a look of a third of a second; then, ``--size 24,64 --rate 0.003`` and
wider by ``--start``, 701 (5000 on, 420 s) and 2,200 (5000 on, 780 s, from what the go before had kept).

The weights for clips go on from these, ``--filmed``, by which every example is heard by a camera in a room of its own
(``bench/pitches_filmed.py``), seven in ten of them one part alone: 1,325 songs (75 from 20000 on, 1,250 from 21000 on;
``--rate 0.003``, 360 s), then 2,200 more (30000 on, 981 s). Whose notes these are is not kept.

It needs PyTorch and a graphics card; nobody who only uses the program needs either.
"""

from __future__ import annotations

import argparse
import math
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from partsong.lineup import pitches
from partsong.lineup.features import ONSET_RATE_HZ, RATE_HZ
from partsong.lineup.pitches import LOWEST, PITCHES
from pitches_filmed import HOP, Camera, banks_on, rows_of
from pitches_music import PITCHED, STARTS, STEMS

KINDS = 4  # of all parts; of those that die away, stay, come slowly
WHOSE = 12  # numbers that are alike for notes of one part, and unlike for those of two
NOTES, AFTER = 256, 2  # how many notes of an example are compared, and how long after their start, in pairs of frames
PARTED = 0.1  # how much it counts that parts are told apart
ALONE = 0.7  # of what is filmed: one part alone
CROP, BATCH = 2000, 24  # frames of 5 ms
EDGE = 160  # frames at either end of an example that are not told: half of what lies around them is missing
TAIL = 22400  # samples


class Above(nn.Module):
    """What lies some semitones above and below, lined up."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.lined = nn.Conv2d(width * len(pitches._ABOVE), width, 1)

    def forward(self, rows: Any) -> Any:
        low, high = -min(pitches._ABOVE), max(pitches._ABOVE)
        padded = nn.functional.pad(rows, (0, 0, low, high))
        return self.lined(torch.cat([padded[:, :, low + move :][:, :, :PITCHES] for move in pitches._ABOVE], 1))


class Network(nn.Module):
    """As ``partsong.lineup.pitches`` computes it: ``quick`` features every 10 ms, ``slow`` ones every 40."""

    def __init__(self, quick: int, slow: int) -> None:
        super().__init__()
        self.attack = nn.Conv2d(8, quick, (3, 7), padding=(1, 3))
        self.partials = Above(quick)
        self.slower = nn.Conv2d(quick, slow, (1, 4), stride=(1, 4))
        self.slow_partials = Above(slow)
        self.slow_before = nn.Conv2d(slow, slow, (1, 5), padding=(0, 2))
        self.slow_others = Above(slow)
        self.slow_around = nn.Conv2d(slow, slow, (1, 5), padding=(0, 6), dilation=(1, 3))
        self.slow_far = nn.Conv2d(slow, slow, (1, 5), padding=(0, 14), dilation=(1, 7))
        self.quicker = nn.Conv2d(slow, 4 * quick, 1)
        self.before = nn.Conv2d(quick, quick, (1, 9), padding=(0, 8), dilation=(1, 2))
        self.others = Above(quick)
        self.told = nn.Conv2d(quick, 2 * KINDS, (3, 5), padding=(1, 2))
        self.whose = nn.Conv2d(quick, WHOSE, (3, 5), padding=(1, 2))
        nn.init.constant_(self.told.bias, -4)  # most of the time nothing starts

    def forward(self, rows: Any) -> Any:
        """Return logits (batch, kinds, pitches, frames) of levels (batch, 8, pitches, pairs), and whose notes start."""
        rows = torch.relu(self.partials(torch.relu(self.attack(rows))))
        slow = torch.relu(self.slower(rows))
        for layer in (self.slow_partials, self.slow_before, self.slow_others, self.slow_around, self.slow_far):
            slow = slow + torch.relu(layer(slow))
        back = self.quicker(slow)
        count, _, high, long = back.shape
        rows = rows + back.reshape(count, 4, -1, high, long).permute(0, 2, 3, 4, 1).reshape(count, -1, high, 4 * long)
        rows = rows + torch.relu(self.before(rows))
        rows = rows + torch.relu(self.others(rows))
        told = self.told(rows)
        return told.reshape(count, KINDS, 2, high, -1).permute(0, 1, 3, 4, 2).flatten(3), self.whose(rows)

    def layers(self) -> dict[str, nn.Conv2d]:
        """Return the layers by the names under which their weights are kept."""
        return {name: getattr(layer, "lined", layer) for name, layer in self.named_children()}

    def kept(self, filmed: bool) -> dict[str, Any]:
        """Return the weights as they are kept: each layer's as a matrix, and its bias; of what is told, all parts."""
        out = {}
        for name, layer in self.layers().items():
            if filmed and name == "whose":
                continue
            rows = 2 if name == "told" else len(layer.bias)
            out[name] = layer.weight.detach().float().cpu().numpy().reshape(len(layer.bias), -1)[:rows]
            out[f"{name}_bias"] = layer.bias.detach().float().cpu().numpy()[:rows]
        return out

    def go_on_from(self, kept: Any) -> None:
        """Take over the weights of a smaller one, as kept: it tells the same, and what is new counts for nothing yet.

        New features are told of what was there, old ones see nothing of the new; a layer that was not there adds
        nothing.
        """
        with torch.no_grad():
            for name, layer in self.layers().items():
                blocks = len(pitches._ABOVE) if isinstance(getattr(self, name), Above) else 1
                weights = layer.weight.view(len(layer.bias), blocks, -1, *layer.weight.shape[2:])
                if name not in kept:
                    weights.mul_(0.05)
                    layer.bias.zero_()
                    continue
                old = torch.from_numpy(kept[name])
                old = old.reshape(len(old), blocks, -1, *layer.weight.shape[2:])
                rows, columns = old.shape[0], old.shape[2]
                weights[:rows, :, columns:] = 0
                weights[:rows, :, :columns] = old
                layer.bias[:rows] = torch.from_numpy(kept[f"{name}_bias"])


class Songs:
    """Songs of a folder on the card, and examples of them."""

    def __init__(self, folder: Path, talk: Path | None, device: str) -> None:
        paths = sorted(folder.glob("[0-9]*.npz"))
        stems, told = [], []
        for path in paths:
            with np.load(path) as kept:
                stems.append(torch.from_numpy(kept["stems"]))
                told.append(torch.from_numpy(kept["told"]))
        self.stems, self.told = torch.stack(stems).to(device), torch.stack(told).to(device)
        self.loud = torch.stack([one.float().pow(2).mean(1).sqrt() for one in self.stems]) + 1e-6
        self.device, self.rng = device, np.random.default_rng(0)
        self.chance = torch.Generator(device).manual_seed(1)
        self.banks = banks_on(device)
        self.camera = None
        if talk:
            said = torch.tensor(np.load(talk) / np.float32(32767), device=device)
            self.camera = Camera(said, device)

    def within(self, shape: tuple[int, ...], low: float, high: float) -> Any:
        return torch.rand(shape, device=self.device, generator=self.chance) * (high - low) + low

    def maybe(self, shape: tuple[int, ...], share: float) -> Any:
        return (torch.rand(shape, device=self.device, generator=self.chance) < share).float()

    def noise(self, *shape: int) -> Any:
        return torch.randn(shape, device=self.device, generator=self.chance)

    def batch(self, count: int, apart: bool = False) -> tuple[Any, ...]:
        """Return rows (count, 8, pitches, pairs of frames) and what starts in them (count, kinds, pitches, frames)."""
        sound, *told = self.mixes(count, apart)
        # Another idea of what is quiet.
        factor = 1.0 if apart else 10 ** (self.within((count, 1), -0.6, 0.6) * self.maybe((count, 1), 0.5))
        return rows_of(sound, self.banks, factor), *told

    def mixes(self, count: int, apart: bool) -> tuple[Any, ...]:
        numbers = self.rng.integers(0, len(self.stems), count)
        numbers = (
            numbers - numbers % 25 if apart else np.where(numbers % 25 == 0, (numbers + 1) % len(self.stems), numbers)
        )
        length = CROP * HOP
        first = HOP * self.rng.integers(0, self.stems.shape[2] // HOP - CROP, count)
        sound = (
            torch.stack([self.stems[n, :, a : a + length] for n, a in zip(numbers, first, strict=True)]).float()
            / self.loud[numbers][:, :, None]
        )
        chosen = torch.tensor(np.stack([self.chosen() for _ in range(count)]), device=self.device)
        level = 10 ** (self.within(tuple(chosen.shape), -6, 4) / 20) * chosen
        tail = self.tails(count, sound.shape[1])
        size = length + TAIL
        wet = torch.fft.irfft(torch.fft.rfft(sound, size) * torch.fft.rfft(tail, size), size)[..., :length]
        mix = (level[:, :, None] * wet).sum(1)
        mix = mix / (mix.pow(2).mean(1, keepdim=True).sqrt() + 1e-6)
        power = nn.functional.avg_pool1d(nn.functional.pad(mix.pow(2)[:, None], (2500, 2500), mode="reflect"), 5001, 1)[
            :, 0
        ]
        pressed = 0.25 * self.maybe((count, 1), 0.25 if self.camera else 0.75)
        mix = mix * torch.clamp(power[:, :length], min=1) ** -pressed
        most = 10 ** self.within((count, 1), 0.3, 1.2)
        mix = most * torch.tanh(mix / most)
        mix = mix + 10 ** self.within((count, 1), -4.5, -2) * self.noise(count, length)
        if self.camera:
            mix = self.camera.hears(mix)
        return mix, *self.starts(numbers, first // HOP, chosen)

    def chosen(self) -> NDArray[np.float32]:
        """Draw which of a song's sounds are heard, and how loud; of what is filmed, more often than not one alone."""
        sounds = np.zeros(STEMS, np.float32)
        if self.camera and self.rng.random() < ALONE:
            sounds[self.rng.integers(PITCHED)] = 1
            return sounds
        parts = self.rng.choice([1, 2, 3, 4, 5, 6], p=[0.05, 0.2, 0.3, 0.25, 0.12, 0.08])
        sounds[self.rng.choice(PITCHED, parts, replace=False)] = 1
        sounds[PITCHED] = self.rng.random() < 0.8
        sounds[PITCHED + 1] = 0.35 * (self.rng.random() < 0.6)
        return sounds

    def tails(self, count: int, parts: int) -> Any:
        """Return impulse responses: the sound, and reverberation as a studio adds it, to each part its own."""
        t = torch.arange(TAIL, device=self.device) / RATE_HZ
        tail = self.noise(count, parts, TAIL) * torch.exp(-6.9 * t / self.within((count, parts, 1), 0.3, 1.5))
        tail = tail * (t > self.within((count, parts, 1), 0, 0.03))
        tail = tail / (tail.pow(2).sum(2, keepdim=True).sqrt() + 1e-9)
        tail = tail * 10 ** (self.within((count, parts, 1), -24, -8) / 20) * self.maybe((count, 1, 1), 0.9)
        tail[:, :, 0] = 1.0
        return tail

    def starts(self, numbers: Any, first: Any, chosen: Any) -> tuple[Any, Any, Any]:
        """Return what starts (count, kinds, pitches, frames) in the chosen parts of songs from some frames on.

        And of some of these notes (count, 256) where they are among all pitches and pairs of frames, and of which part.
        """
        told = self.told[numbers]
        count = len(told)
        frame = (
            torch.round(told[..., 0] * ONSET_RATE_HZ).long() - torch.tensor(first, device=self.device)[:, None, None]
        )
        row, kind = told[..., 1].long() - LOWEST, told[..., 2].long()
        there = (told[..., 0] >= 0) & (row >= 0) & (row < PITCHES) & (chosen[:, : told.shape[1], None] > 0)
        out = torch.zeros(count * KINDS * PITCHES * CROP, device=self.device)
        example = torch.arange(count, device=self.device)[:, None, None].expand_as(row)
        for beside, likely in STARTS:
            here = there & (frame + beside >= 0) & (frame + beside < CROP)
            for which in (torch.zeros_like(kind), kind + 1):
                at = ((example * KINDS + which) * PITCHES + row) * CROP + frame + beside
                out.scatter_reduce_(0, at[here], torch.full((int(here.sum()),), likely, device=self.device), "amax")
        heard = there & (frame >= EDGE) & (frame < CROP - EDGE)
        drawn = torch.rand(heard.shape, device=self.device, generator=self.chance) * heard
        likely, which = drawn.flatten(1).topk(NOTES, dim=1)
        part = torch.arange(told.shape[1], device=self.device)[None, :, None].expand_as(row).flatten(1).gather(1, which)
        at = (row * (CROP // 2) + frame // 2 + AFTER).flatten(1).gather(1, which)
        return (
            out.reshape(count, KINDS, PITCHES, CROP),
            torch.where(likely > 0, at, 0),
            torch.where(likely > 0, part, -1),
        )


def main() -> None:
    """Teach, for some seconds."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("folder", type=Path)
    options.add_argument("weights", type=Path, nargs="+", help="A file for each network that is taught.")
    options.add_argument("--size", action="append", help="QUICK,SLOW features of each.")
    options.add_argument("--seconds", type=float, default=420)
    options.add_argument("--rate", type=float, default=0.004)
    options.add_argument("--filmed", type=Path, metavar="TALK", help="As cameras hear songs, and parts alone.")
    options.add_argument(
        "--start", type=Path, action="append", default=[], help="Weights of smaller ones to go on from."
    )
    asked = options.parse_args()
    torch.manual_seed(0)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.backends.cudnn.benchmark = True
    begun = time.monotonic()
    made = Songs(asked.folder, asked.filmed, device)
    print(f"{len(made.stems)} songs, {time.monotonic() - begun:.0f} s", flush=True)
    networks = [Network(*map(int, size.split(","))).to(device) for size in asked.size]
    for network, state in zip(networks, asked.start, strict=False):
        with np.load(state) as kept:
            network.go_on_from(kept)
    optimisers = [torch.optim.AdamW(network.parameters(), asked.rate, weight_decay=1e-4) for network in networks]
    weight = torch.tensor(3.0, device=device)
    told_only = slice(EDGE, -EDGE)

    def missed(network: Network, rows: Any, starts: Any, at: Any, part: Any) -> Any:
        with torch.autocast(device, torch.bfloat16):
            told, whose = network(rows)
        each = nn.functional.binary_cross_entropy_with_logits(
            told[..., told_only].float(), starts[..., told_only], pos_weight=weight, reduction="none"
        ).mean((0, 2, 3))
        return torch.cat([each, PARTED * mistaken(whose.float(), at, part)[None]])

    def mistaken(whose: Any, at: Any, part: Any) -> Any:
        one = nn.functional.normalize(whose.flatten(2).gather(2, at[:, None].expand(-1, WHOSE, -1)), dim=1)
        alike = one.transpose(1, 2) @ one
        both = (part[:, :, None] >= 0) & (part[:, None] >= 0)
        same = both & (part[:, :, None] == part[:, None])
        other = both & ~same
        wrong = (alike - same.float()).pow(2)
        return ((wrong * same).sum() / same.sum() + (wrong * other).sum() / other.sum().clamp(min=1)) / 2

    def keep() -> None:
        for network, path in zip(networks, asked.weights, strict=True):
            np.savez_compressed(path, **network.kept(asked.filmed is not None))

    with torch.no_grad():
        apart = [made.batch(BATCH, apart=True) for _ in range(6)]
    begun, step = time.monotonic(), 0
    said = begun
    while (gone := (time.monotonic() - begun) / asked.seconds) < 1:
        step += 1
        rate = asked.rate * min(1.0, step / 300) * 0.5 * (1 + math.cos(math.pi * gone))
        with torch.no_grad():
            example = made.batch(BATCH)
        losses = []
        for network, optimiser in zip(networks, optimisers, strict=True):
            for group in optimiser.param_groups:
                group["lr"] = rate
            loss = missed(network, *example).sum()
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            nn.utils.clip_grad_norm_(network.parameters(), 1.0)
            optimiser.step()
            losses.append(loss.detach())
        if time.monotonic() - said > 30 or step == 20:
            said = time.monotonic()
            with torch.no_grad():
                each = [torch.stack([missed(network, *one) for one in apart]).mean(0).tolist() for network in networks]
            print(f"{step} steps, {said - begun:.0f} s: " + "; ".join(
                f"taught {loss.item():.5f}, apart " + " ".join(f"{one:.5f}" for one in some)
                for loss, some in zip(losses, each, strict=True)), flush=True)  # fmt: skip
            if not np.isfinite(each).all():
                raise SystemExit("It does not learn: the loss is no number.")
            keep()
    keep()


if __name__ == "__main__":
    main()
