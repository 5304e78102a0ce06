"""What a camera in a room hears of a performance, with all that can go wrong on the way, and where it truly lies.

**Conventions.** At media time ``m`` of a clip its picture shows song time ``picture_start_s + m (1 + drift_ppm *
1e-6)``, and its sound is what left the source ``distance / c`` earlier. The chain keeps time to the sample: the
room's filter starts at the moment of sounding, and the band limits are applied forwards and backwards, so that they
delay nothing.
"""

from __future__ import annotations

import subprocess
import tempfile
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from .songs import RATE_HZ, Note, Sound

HEARD_RATE_HZ = 16000
SOUND_M_PER_S = 343.0
"""What the acoustics library uses at 20 degrees C."""

_LIBRARY_DELAY = 40  # samples: half of the library's fractional delay filter of 81 taps
_MOST_REFLECTIONS = 40  # image sources up to this order; later ones carry little and cost much


@dataclass(frozen=True)
class Filming:
    """How a clip is filmed. Levels in dB over the music's mean level in the clip; None leaves a thing out."""

    picture_start_s: float
    length_s: float
    drift_ppm: float = 0.0
    distance_m: float = 3.0
    room_m: tuple[float, float, float] = (5.0, 4.0, 2.7)
    reverb_s: float = 0.35
    noise_db: float = -40.0
    talk_db: float | None = None
    talk_before: bool = False
    gain_control: bool = False
    clip_share: float = 0.0
    band_hz: tuple[float, float] | None = None
    seed: int = 0


def filmed(source: Sound, how: Filming) -> NDArray[np.int16]:
    """Return a clip of a performance (mono at 32 kHz) as the camera keeps it: 16 bits, here at 16 kHz.

    Examples
    --------
    A click heard from 3.43 m away arrives 10 ms late.

    >>> click = np.zeros(RATE_HZ, np.float32); click[RATE_HZ // 2] = 1
    >>> clip = filmed(click, Filming(0.0, 1.0, distance_m=3.43, noise_db=-90))
    >>> int(np.argmax(np.abs(clip))) / HEARD_RATE_HZ
    0.51
    """
    rng = np.random.default_rng([how.seed, 1])
    room = signal.fftconvolve(source, _room(how, rng))
    count = round(how.length_s * RATE_HZ)
    song_s = how.picture_start_s + np.arange(count) / RATE_HZ * (1 + how.drift_ppm * 1e-6)
    music = _at(room, song_s * RATE_HZ)
    playing = music[(song_s >= 0) & (song_s < len(source) / RATE_HZ)]
    loud = float(np.sqrt(np.mean(playing**2))) if playing.size else 0.0
    return _recorded(music, loud or 1e-3, how, rng)


def without_music(sound: NDArray[np.floating], how: Filming) -> NDArray[np.int16]:
    """Return a clip of something else, through the same camera; an empty ``sound`` leaves only the camera's noise."""
    rng = np.random.default_rng([how.seed, 2])
    out = np.zeros(round(how.length_s * RATE_HZ))
    out[: min(len(out), len(sound))] = sound[: len(out)]
    loud = float(np.sqrt(np.mean(out**2)))
    return _recorded(out, loud or 1e-3, how, rng)


def clicks(notes: list[Note], length_s: float, seed: int) -> Sound:
    """Return what a room hears of an instrument that goes straight into the desk: keys going down and coming up."""
    rng = np.random.default_rng([seed, 3])
    out = np.zeros(round((length_s + 1) * RATE_HZ))
    shape = signal.butter(2, (900, 6000), "bandpass", fs=RATE_HZ, output="sos")
    for note in notes:
        for at_s, level in ((note.start_s - 0.004, 1.0), (note.start_s + note.length_s, 0.5)):
            t = np.arange(round(0.03 * RATE_HZ)) / RATE_HZ
            knock = signal.sosfilt(shape, rng.normal(size=len(t)) * np.exp(-t / 0.005))
            first = round((at_s + rng.normal(0, 0.003)) * RATE_HZ)
            if 0 <= first < len(out) - len(t):
                out[first : first + len(t)] += level * rng.uniform(0.3, 1.0) * knock
    return np.asarray(out, np.float32)


def talk(length_s: float, seed: int) -> NDArray[np.float64]:
    """Return people talking, with pauses, for some seconds."""
    rng = np.random.default_rng([seed, 4])
    out = np.zeros(round(length_s * RATE_HZ))
    at = round(rng.uniform(0, 0.5) * RATE_HZ)
    while at < len(out):
        said = _said(int(rng.integers(len(_SENTENCES))), str(rng.choice(_VOICES)), int(rng.integers(130, 190)))
        stop = min(at + len(said), len(out))
        out[at:stop] += said[: stop - at]
        at = stop + round(rng.uniform(0.2, 1.5) * RATE_HZ)
    return out


def to_heard_rate(sound: NDArray[np.floating]) -> Sound:
    """Bring a sound from 32 to 16 kHz, in step."""
    return np.asarray(signal.resample_poly(sound, 1, 2), np.float32)


# --- the chain ------------------------------------------------------------------------------------


def _room(how: Filming, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return the room's impulse response, from the moment of sounding on, at some place where the distance fits."""
    import pyroomacoustics

    size = np.array(how.room_m)
    absorption, order = pyroomacoustics.inverse_sabine(how.reverb_s, how.room_m, c=SOUND_M_PER_S)
    room = pyroomacoustics.ShoeBox(
        size, fs=RATE_HZ, materials=pyroomacoustics.Material(absorption),
        max_order=min(order, _MOST_REFLECTIONS), air_absorption=True,
    )  # fmt: skip
    for _ in range(10000):
        source = rng.uniform([0.5, 0.5, 0.8], [size[0] - 0.5, size[1] - 0.5, 1.4])
        angle = rng.uniform(0, 2 * np.pi)
        rise = 1.5 - source[2]
        flat = np.sqrt(max(how.distance_m**2 - rise**2, 0))
        camera = source + np.array([flat * np.cos(angle), flat * np.sin(angle), rise])
        if (camera[:2] > 0.4).all() and (camera[:2] < size[:2] - 0.4).all():
            break
    else:
        raise SystemExit(f"A camera {how.distance_m} m away does not fit into a room of {how.room_m} m.")
    room.add_source(source)
    room.add_microphone(camera)
    room.compute_rir()
    return np.asarray(room.rir[0][0][_LIBRARY_DELAY:], np.float64)


def _recorded(music: NDArray[np.float64], loud: float, how: Filming, rng: np.random.Generator) -> NDArray[np.int16]:
    sound = music / loud + 10 ** (how.noise_db / 20) * _noise(len(music), rng)
    if how.talk_db is not None:
        said = talk(how.length_s, how.seed)
        sound += 10 ** (how.talk_db / 20) * said
    if how.talk_before:  # the slate and a count-in over the first seconds, as loud as the music
        said = talk(4.0, how.seed + 1)
        sound[: len(said)] += said[: len(sound)]
    if how.band_hz is not None:
        sound = signal.sosfiltfilt(signal.butter(4, how.band_hz, "bandpass", fs=RATE_HZ, output="sos"), sound)
    if how.gain_control:
        sound = _gain_controlled(sound)
    peak = float(np.quantile(np.abs(sound), 1 - how.clip_share)) if how.clip_share else 1.4 * float(np.abs(sound).max())
    heard = to_heard_rate(np.clip(sound / (peak or 1.0), -1, 1))
    return np.asarray(np.clip(np.round(heard * 32767), -32768, 32767), np.int16)


def _noise(count: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return a room's noise: falling by 3 dB an octave from 40 Hz up, and mains hum; mean power one."""
    size = 1 << (count - 1).bit_length()
    spectrum = np.fft.rfft(rng.normal(size=size))
    hz = np.fft.rfftfreq(size, 1 / RATE_HZ)
    noise = np.fft.irfft(spectrum / np.sqrt(np.maximum(hz, 40)), size)[:count]
    noise /= noise.std()
    t = np.arange(count) / RATE_HZ
    hum = 0.4 * np.sin(2 * np.pi * 50 * t + rng.uniform(0, 6)) + 0.2 * np.sin(2 * np.pi * 150 * t + rng.uniform(0, 6))
    return np.asarray((noise + hum) / np.sqrt(1.1))


def _gain_controlled(sound: NDArray[np.float64]) -> NDArray[np.float64]:
    """Even the level out as a camera does: fast down, slow up, by up to 30 dB."""
    hop = RATE_HZ // 200
    blocks = np.abs(sound[: len(sound) // hop * hop]).reshape(-1, hop).max(axis=1)
    level, levels = float(np.max(blocks)) if blocks.size else 1.0, np.empty(len(blocks))
    least = level * 10 ** (-30 / 20)
    for number, block in enumerate(blocks):
        level += (block - level) * (0.4 if block > level else 0.006)  # 10 ms down, 0.8 s up
        levels[number] = max(level, least)
    if not len(levels):
        return sound
    return np.asarray(sound / np.interp(np.arange(len(sound)), (np.arange(len(levels)) + 0.5) * hop, levels))


def _at(sound: NDArray[np.floating], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Read a sound between its samples by a windowed sinc of 32 taps; silence outside. Error below -80 dB to 12 kHz."""
    taps, phases = 32, 512
    offsets = np.arange(taps) - taps // 2 + 1
    table = np.empty((phases + 1, taps))
    for phase in range(phases + 1):
        x = offsets - phase / phases
        table[phase] = np.sinc(x) * np.i0(9 * np.sqrt(np.maximum(1 - (x / (taps / 2)) ** 2, 0))) / np.i0(9)
    out = np.zeros(len(at))
    padded = np.concatenate([np.zeros(taps), sound, np.zeros(taps)])
    inside = np.flatnonzero((at >= -taps / 2 + 1) & (at <= len(sound) - 1 + taps / 2))
    for first in range(0, len(inside), 1 << 16):
        rows = inside[first : first + (1 << 16)]
        whole = np.floor(at[rows]).astype(int)
        phase = np.round((at[rows] - whole) * phases).astype(int)
        index = whole[:, None] + offsets + taps
        out[rows] = np.einsum("ij,ij->i", padded[np.clip(index, 0, len(padded) - 1)], table[phase])
    return out


_VOICES = ("en+m1", "en+m3", "en+f2", "en+f4")
_SENTENCES = (
    "Rolling. Take two, from the top.",
    "Wait, the stand is in the way again, can you move it to the left?",
    "That was good. I would like one more, a little quieter in the second verse.",
    "Is the light where it was before? It looks warmer now.",
    "Lunch is in twenty minutes, so let us try to finish this one.",
    "Mind the cable behind you. And one, two, three, four.",
    "I think the focus was a bit soft at the end of that.",
    "Could somebody close the door, please? We can hear the boats.",
)


@lru_cache(maxsize=128)
def _said(sentence: int, voice: str, words_per_minute: int) -> NDArray[np.float64]:
    import soundfile

    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "said.wav"
        command = [
            "espeak-ng",
            "-v",
            voice,
            "-s",
            str(words_per_minute // 10 * 10),
            "-w",
            str(path),
            _SENTENCES[sentence],
        ]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode != 0 or not path.is_file():
            raise SystemExit(f"espeak-ng did not speak: {done.stderr.strip()}")
        sound, rate_hz = soundfile.read(path, dtype="float64")
    said = np.asarray(signal.resample_poly(sound, RATE_HZ, rate_hz))
    return said / np.sqrt(np.mean(said**2))
