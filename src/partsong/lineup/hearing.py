"""Hears clips through the media room and keeps what was heard in the film's cache, named by the clip's content.

The samples and the envelopes lie there as half-precision numbers, written as they come and mapped rather than read, so
that the length of a clip makes no difference to memory. What is left, some bytes a second, is in one more file. That
one is written last, so that a stop in between leaves nothing that looks whole.

Which notes start in a song, two seconds of work a minute, is kept as well, where a take asks for it.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import Clip
from partsong.lineup import features, parts
from partsong.lineup.features import Envelopes, Floats, Halves, Heard, Levels, Listened
from partsong.lineup.parts import Starts
from partsong.media.sound import read_sound
from partsong.watch import Watch

_KIND, _STARTS = "heard", "starts"
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
    """Say whether a clip is in the cache, with all that belongs to it: room may have been made there, file by file."""
    paths = _Paths.of(folder, clip)
    if not (paths.rest.is_file() and paths.samples.is_file()):
        return False
    with np.load(paths.rest, allow_pickle=False) as rest:
        voices = range(len(rest["weights"]))
    return all(paths.envelope(name, voice).is_file() for name in ("onsets", "tones") for voice in voices)


def hear_clip(folder: FilmFolder, clip: Clip, watch: Watch) -> Heard:
    """Return what a clip sounds like, from the cache where it was heard before.

    Raises
    ------
    UnreadableMedia
        If the clip has no sound, or none that can be decoded.
    """
    paths = _Paths.of(folder, clip)
    if not is_heard(folder, clip):
        _hear(folder.locate(clip.file), clip, paths, watch)
    return _read(paths)


@dataclass(frozen=True, slots=True)
class KeepStarts:
    """What starts in a clip, heard into the cache where it is not there yet."""

    folder: FilmFolder
    clip: Clip

    def __call__(self, heard: Heard) -> Starts:
        """Return what starts in the clip, which was heard before."""
        file = self.clip.file
        key = key_of(_STARTS, features.VERSION, parts.VERSION, file.fingerprint, file.size_bytes)
        path = self.folder.cached(_STARTS, key, ".npz")
        if not path.is_file():
            starts = parts.starts_in(heard)
            with writing(path) as temporary, temporary.open("wb") as out:
                np.savez_compressed(out, allow_pickle=False, **starts._asdict())
            return starts
        with np.load(path, allow_pickle=False) as kept:
            return Starts(**{name: kept[name] for name in Starts._fields})


@dataclass(frozen=True, slots=True)
class _Paths:
    samples: Path
    rest: Path

    @classmethod
    def of(cls, folder: FilmFolder, clip: Clip) -> _Paths:
        key = key_of(_KIND, features.VERSION, clip.file.fingerprint, clip.file.size_bytes)
        return cls(folder.cached(_KIND, key, ".f16"), folder.cached(_KIND, key, ".npz"))

    def envelope(self, name: str, voice: int) -> Path:
        return self.rest.with_name(f"{self.rest.stem}.{name}{voice}.npy")


def _hear(source: Path, clip: Clip, paths: _Paths, watch: Watch) -> None:
    with writing(paths.samples) as temporary, temporary.open("wb") as file:
        moments = features.store_samples(_told(source, clip, watch), file)
    weights = features.choose_voices(moments)
    samples = _mapped(paths.samples, weights.shape[1])
    rest: dict[str, NDArray[np.generic]] = {"weights": weights}
    for number, row in enumerate(weights):
        heard = _keep_envelopes(_stoppable(features.mixed_blocks(samples, row), watch), paths, number)
        rest[f"peaks{number}"], rest[f"level{number}"] = heard.peaks, np.array(heard.level_db)
    with writing(paths.rest) as temporary, temporary.open("wb") as file:
        np.savez(file, allow_pickle=False, **rest)


def _keep_envelopes(blocks: Iterator[Floats], paths: _Paths, voice: int) -> Listened:
    with (
        tempfile.TemporaryFile(dir=paths.rest.parent) as onset_levels,
        tempfile.TemporaryFile(dir=paths.rest.parent) as tone_levels,
    ):
        heard = features.listened(blocks, partial(_append, onset_levels), partial(_append, tone_levels))
        onsets = features.onset_pieces(partial(_between, onset_levels, features.ONSET_BANDS), heard)
        tones = features.tone_pieces(partial(_between, tone_levels, features.TONE_BANDS), heard)
        _write(paths.envelope("onsets", voice), onsets, (features.ONSET_BANDS, heard.onset_frames))
        _write(paths.envelope("tones", voice), tones, (features.TONE_BANDS, heard.tone_frames))
    return heard


def _append(file: IO[bytes], levels: Levels) -> None:
    file.write(np.ascontiguousarray(levels).tobytes())


def _between(file: IO[bytes], bands: int, first: int, stop: int) -> Levels:
    file.seek(first * bands * 2)
    return np.frombuffer(file.read((stop - first) * bands * 2), np.int16).reshape(-1, bands)


def _write(path: Path, pieces: Iterator[Halves], shape: tuple[int, int]) -> None:
    with writing(path) as temporary:
        np.lib.format.open_memmap(temporary, "w+", "<f2", shape)
        at = 0
        for piece in pieces:  # each through a map of its own: pages that were written stay in memory as long as theirs
            np.lib.format.open_memmap(temporary, "r+")[:, at : at + piece.shape[1]] = piece
            at += piece.shape[1]


def _told(source: Path, clip: Clip, watch: Watch) -> Iterator[NDArray[np.float32]]:
    length_s = int(clip.duration.seconds)
    doing = f"Listening to {source.name}"
    for number, block in enumerate(
        read_sound(source, rate_hz=features.RATE_HZ, block=_BLOCK_S * features.RATE_HZ), start=1
    ):
        watch.tick(doing, min(number * _BLOCK_S, length_s), length_s)
        yield block


def _stoppable(blocks: Iterator[Floats], watch: Watch) -> Iterator[Floats]:
    for block in blocks:
        watch.check("Listening")
        yield block


def _mapped(path: Path, channels: int) -> NDArray[np.float16]:
    return np.memmap(path, "<f2", mode="r").reshape(-1, channels)


def _read(paths: _Paths) -> Heard:
    with np.load(paths.rest, allow_pickle=False) as rest:
        weights = rest["weights"]
        voices = tuple(
            Envelopes(
                onsets=np.load(paths.envelope("onsets", number), mmap_mode="r"),
                tones=np.load(paths.envelope("tones", number), mmap_mode="r"),
                peaks=rest[f"peaks{number}"],
                level_db=float(rest[f"level{number}"]),
            )
            for number in range(len(weights))
        )
    return Heard(_mapped(paths.samples, weights.shape[1]), weights, voices)
