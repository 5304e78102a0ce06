"""Hears clips through the media room and keeps what was heard in the film's cache, named by the clip's content.

Two files a clip: the samples as raw half-precision numbers, mapped rather than read, and the envelopes. The envelopes
are written last, so that a stop in between leaves nothing that looks whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import Clip
from partsong.lineup import features
from partsong.lineup.features import Envelopes, Heard
from partsong.media.sound import read_sound
from partsong.watch import Watch

_KIND = "heard"
_BLOCK_S = 2


@dataclass(frozen=True, slots=True)
class HearClip:
    """The job of hearing one clip into the cache; it travels to worker processes."""

    root: Path
    clip: Clip

    def __call__(self, watch: Watch) -> None:
        """Hear the clip, unless that was done before."""
        hear_clip(FilmFolder(self.root), self.clip, watch)


def is_heard(folder: FilmFolder, clip: Clip) -> bool:
    """Say whether a clip is in the cache."""
    samples, envelopes = _paths(folder, clip)
    return envelopes.is_file() and samples.is_file()


def hear_clip(folder: FilmFolder, clip: Clip, watch: Watch) -> Heard:
    """Return what a clip sounds like, from the cache where it was heard before.

    Raises
    ------
    UnreadableMedia
        If the clip has no sound, or none that can be decoded.
    """
    samples_path, envelopes_path = _paths(folder, clip)
    if not is_heard(folder, clip):
        _hear(folder.locate(clip.file), clip, samples_path, envelopes_path, watch)
    return _read(samples_path, envelopes_path)


def _hear(source: Path, clip: Clip, samples_path: Path, envelopes_path: Path, watch: Watch) -> None:
    with writing(samples_path) as temporary, temporary.open("wb") as file:
        moments = features.store_samples(_told(source, clip, watch), file)
    weights = features.choose_voices(moments)
    samples = _mapped(samples_path, weights.shape[1])
    voices = [features.envelopes(_stoppable(features.mixed_blocks(samples, row), watch)) for row in weights]
    _write(envelopes_path, weights, voices)


def _paths(folder: FilmFolder, clip: Clip) -> tuple[Path, Path]:
    key = key_of(_KIND, features.VERSION, clip.file.fingerprint, clip.file.size_bytes)
    return folder.cached(_KIND, key, ".f16"), folder.cached(_KIND, key, ".npz")


def _told(source: Path, clip: Clip, watch: Watch) -> Iterator[NDArray[np.float32]]:
    length_s = int(clip.duration.seconds)
    doing = f"Listening to {source.name}"
    for number, block in enumerate(
        read_sound(source, rate_hz=features.RATE_HZ, block=_BLOCK_S * features.RATE_HZ), start=1
    ):
        watch.tick(doing, min(number * _BLOCK_S, length_s), length_s)
        yield block


def _stoppable(blocks: Iterator[features.Floats], watch: Watch) -> Iterator[features.Floats]:
    for block in blocks:
        watch.check("Listening")
        yield block


def _mapped(path: Path, channels: int) -> NDArray[np.float16]:
    return np.memmap(path, "<f2", mode="r").reshape(-1, channels)


def _write(path: Path, weights: features.Floats, voices: list[Envelopes]) -> None:
    arrays: dict[str, NDArray[np.generic]] = {"weights": weights}
    for number, voice in enumerate(voices):
        arrays[f"onsets{number}"] = voice.onsets
        arrays[f"tones{number}"] = voice.tones
        arrays[f"peaks{number}"] = voice.peaks
        arrays[f"level{number}"] = np.array(voice.level_db)
    with writing(path) as temporary, temporary.open("wb") as file:
        np.savez(file, allow_pickle=False, **arrays)


def _read(samples_path: Path, envelopes_path: Path) -> Heard:
    with np.load(envelopes_path, allow_pickle=False) as arrays:
        weights = arrays["weights"]
        voices = tuple(
            Envelopes(
                onsets=arrays[f"onsets{number}"],
                tones=arrays[f"tones{number}"],
                peaks=arrays[f"peaks{number}"],
                level_db=float(arrays[f"level{number}"]),
            )
            for number in range(len(weights))
        )
    return Heard(_mapped(samples_path, weights.shape[1]), weights, voices)
