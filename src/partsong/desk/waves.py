"""What is drawn of a sound, made once and kept in the cache: its waveform, and how strongly notes start in it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import Clip
from partsong.lineup.features import VERSION
from partsong.lineup.hearing import hear_clip
from partsong.media.sound import read_sound
from partsong.watch import silent

PEAKS_HZ = 1000
_SOUND_HZ = 16000
_EACH = _SOUND_HZ // PEAKS_HZ
_VERSION = 1
_one_at_a_time = threading.Lock()


def drawn(peaks: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return peaks as heights to draw, 0 to 255: the square root of the level, so that soft notes can be seen.

    The scale is the clip's own (its loudest, but for one peak in two thousand: a knock on the stand shall not make
    the music small), since a camera's gain says nothing of the music.

    >>> drawn(np.array([0, 0.04, 0.16], np.float32)).tolist()
    [0, 128, 255]
    """
    loudest = float(np.quantile(peaks, 0.9995, method="higher")) if len(peaks) else 0.0
    if loudest <= 0:
        return np.zeros(len(peaks), np.uint8)
    heights = 255 * np.sqrt(np.clip(peaks / loudest, 0, 1))
    return np.asarray(np.rint(heights), np.uint8)


def waveform(folder: FilmFolder, clip: Clip) -> Path:
    """Return the file of a clip's heights, one byte each at 1000 Hz from its first sample; made if it is not there.

    Raises
    ------
    InvalidInput
        If the clip has no sound.
    UnreadableMedia
        If its sound cannot be decoded.
    """
    if clip.sound is None:
        raise InvalidInput(f"{Path(clip.file.path).name} has no sound, so there is no waveform to draw.")

    def heights() -> NDArray[np.uint8]:
        peaks = list(_peaks(folder.locate(clip.file)))
        return drawn(np.concatenate(peaks) if peaks else np.zeros(0, np.float32))

    return _kept(folder, key_of("waves", _VERSION, PEAKS_HZ, clip.file.fingerprint), heights)


def note_starts(folder: FilmFolder, clip: Clip) -> Path:
    """Return the file of how strongly notes start in a clip, one byte each at 200 Hz; made if it is not there.

    It is what line up compares (:mod:`partsong.lineup.features`): how much louder twenty bands got, summed up. The
    scale is the clip's own, all but the strongest hundredth.

    Raises
    ------
    InvalidInput
        If the clip has no sound.
    UnreadableMedia
        If its sound cannot be decoded.
    """
    if clip.sound is None:
        raise InvalidInput(f"{Path(clip.file.path).name} has no sound, so no note starts in it.")

    def strengths() -> NDArray[np.uint8]:
        voices = hear_clip(folder, clip, silent()).voices
        loudest = max(voices, key=lambda voice: voice.level_db)
        flux = np.maximum(np.sum(loudest.onsets, axis=0, dtype=np.float32), 0)
        strong = float(np.quantile(flux, 0.99)) or float(flux.max()) or 1.0
        return np.rint(255 * np.clip(flux / strong, 0, 1)).astype(np.uint8)

    return _kept(folder, key_of("note starts", _VERSION, VERSION, clip.file.fingerprint), strengths)


def _kept(folder: FilmFolder, key: str, made: Callable[[], NDArray[np.uint8]]) -> Path:
    """Return the file of these bytes, made if it is not there: one at a time, since a page asks for all at once."""
    out = folder.cached("waves", key, ".u8")
    with _one_at_a_time:
        if not out.is_file():
            content = made().tobytes()
            with writing(out) as temporary:
                temporary.write_bytes(content)
    return out


def _peaks(path: Path) -> Iterator[NDArray[np.float32]]:
    rest = np.zeros(0, np.float32)
    for block in read_sound(path, rate_hz=_SOUND_HZ, block=8 * _SOUND_HZ):
        loud = np.concatenate([rest, np.abs(np.nan_to_num(block)).max(axis=1)])
        whole = len(loud) // _EACH * _EACH
        yield loud[:whole].reshape(-1, _EACH).max(axis=1)
        rest = loud[whole:]
    if len(rest):
        yield rest.max(keepdims=True)
