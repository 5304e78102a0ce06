"""What the camera's own microphones hear of a part: the boathouse, the distance, the noise, the automatic gain."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

RATE_HZ = 48000
SPEED_OF_SOUND_M_S = 343.0
"""In dry air at 20 degrees Celsius (handbook value)."""

Point = tuple[float, float, float]
_Floats = NDArray[np.float64]

_EARS_M = 0.12  # between the camera's two microphones
_REFLECTED = 0.62  # of the pressure, by boarded walls
_REVERBERATION_S = 0.55
_NOISE = 10 ** (-62 / 20)


@dataclass(frozen=True, slots=True)
class Heard:
    """How a clip hears its part.

    ``start_ticks`` is the song time of the clip's first sample in 1/48000 s; song time advances
    ``1 + drift_ppm * 1e-6`` seconds a second of the clip. ``level_db`` is added to the part's own level, and
    ``clicks_s`` are song times at which a key is heard to knock.
    """

    start_ticks: int
    samples: int
    source: Point
    camera: Point
    room: Point
    drift_ppm: float = 0.0
    level_db: float = 0.0
    automatic_gain: bool = True
    clicks_s: tuple[float, ...] = ()

    @property
    def distance_m(self) -> float:
        """From the instrument to the camera."""
        return float(np.linalg.norm(np.subtract(self.source, self.camera)))

    @property
    def arrival_delay_s(self) -> float:
        """How late the direct sound reaches the camera."""
        return self.distance_m / SPEED_OF_SOUND_M_S


def scratch_sound(dry: NDArray[np.float32], heard: Heard, *, seed: int) -> NDArray[np.float32]:
    """Return the camera's own sound of a clip.

    Parameters
    ----------
    dry : float32 array, shape (samples,)
        The part's stem at 48 kHz, from song time 0.
    heard : Heard
        Where and when the clip listens.
    seed : int
        Of the noise, the talk and the tail of the room.

    Returns
    -------
    float32 array, shape (heard.samples, 2)
    """
    rng = np.random.default_rng([seed, 7])
    song_s = (heard.start_ticks + np.arange(heard.samples) * (1 + heard.drift_ppm * 1e-6)) / RATE_HZ
    played = dry.copy()
    for click_s in heard.clicks_s:
        at = round(click_s * RATE_HZ)
        knock = rng.normal(size=240) * np.exp(-np.arange(240) / 40) * 0.012
        played[at : at + 240] += knock[: len(played) - at]
    band = signal.butter(2, [90, 11000], "band", fs=RATE_HZ, output="sos")
    sound = _room_tone(heard.samples, rng)
    talk = _before_the_song(song_s, rng)
    sound[: len(talk)] += 0.05 * talk[:, None]
    for channel, side in enumerate((-0.5, 0.5)):
        ear = (heard.camera[0] + side * _EARS_M, heard.camera[1], heard.camera[2])
        response = impulse_response(heard.source, ear, heard.room, rng).astype(np.float32)
        wet = signal.sosfilt(band, signal.oaconvolve(played, response))
        sound[:, channel] += _at_times(wet, song_s) * np.float32(10 ** (heard.level_db / 20))
    if heard.automatic_gain:
        sound *= _automatic_gain(sound)[:, None]
    return np.tanh(sound, out=sound)


def impulse_response(source: Point, ear: Point, room: Point, rng: np.random.Generator) -> _Floats:
    """Return what one pulse at the source becomes at the ear: direct sound, reflections, a diffuse tail.

    The pulse of the direct sound lies ``distance / 343`` seconds from the start, to the nearest sample. Reflections
    are the mirror images of the source in the walls, up to the second order (Allen and Berkley, 1979).
    ``room`` is the size of the room from its corner at (0, 0, 0).
    """
    response = np.zeros(round(0.9 * RATE_HZ))
    direct_m = float(np.linalg.norm(np.subtract(source, ear)))
    for order in product(range(-2, 3), repeat=3):
        bounces = sum(abs(n) for n in order)
        if bounces > 2:
            continue
        image = [n * size + (at if n % 2 == 0 else size - at) for n, size, at in zip(order, room, source, strict=True)]
        away_m = float(np.linalg.norm(np.subtract(image, ear)))
        response[round(away_m / SPEED_OF_SOUND_M_S * RATE_HZ)] += _REFLECTED**bounces / away_m
    begins = round((direct_m / SPEED_OF_SOUND_M_S + 0.012) * RATE_HZ)
    time_s = np.arange(len(response) - begins) / RATE_HZ
    tail = rng.normal(size=len(time_s)) * 10 ** (-3 * time_s / _REVERBERATION_S) * (1 - np.exp(-time_s / 0.01))
    tail = signal.sosfilt(signal.butter(1, 3500, fs=RATE_HZ, output="sos"), tail)
    response[begins:] += tail * 0.22 / np.sqrt((tail**2).sum())
    return response


def _at_times(sound: NDArray[Any], song_s: _Floats) -> NDArray[np.float32]:
    """Read sound at given times by cubic interpolation; it is silent outside. Whole samples are read exactly."""
    padded = np.concatenate([[0.0], sound, np.zeros(3)]).astype(np.float32)
    out = np.empty(len(song_s), np.float32)
    for first in range(0, len(song_s), RATE_HZ):  # a second at a time, to be small in memory
        position = song_s[first : first + RATE_HZ] * RATE_HZ
        whole = np.floor(position + 1e-6).astype(np.int64)
        t = (position - whole).astype(np.float32)
        index = np.where((whole >= 0) & (whole < len(sound)), whole, len(sound))
        a, b, c, d = (padded[index + step] for step in range(4))
        curved = b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a)))
        out[first : first + RATE_HZ] = np.where(np.abs(t) < 1e-5, b, curved)
    return out


def _room_tone(samples: int, rng: np.random.Generator) -> NDArray[np.float32]:
    """Air and the water under the floor: noise that falls with frequency and laps slowly."""
    time_s = np.arange(samples, dtype=np.float32) / np.float32(RATE_HZ)
    lapping = 1 + 0.5 * np.sin(2 * np.pi * 0.31 * time_s + 1) * np.sin(2 * np.pi * 0.13 * time_s)
    tone = np.empty((samples, 2), np.float32)
    for channel in (0, 1):
        noise = rng.standard_normal(samples, np.float32)
        dark = signal.lfilter(np.array([0.06], np.float32), np.array([1, -0.94], np.float32), noise)
        tone[:, channel] = _NOISE * (0.5 * noise + 2.5 * dark * lapping)
    return tone


def _before_the_song(song_s: _Floats, rng: np.random.Generator) -> _Floats:
    """Somebody says a few words and puts a foot down before the song begins: nothing that the stem holds."""
    stop = int(np.searchsorted(song_s, -0.35))
    total = np.zeros(stop)
    at = round(0.2 * RATE_HZ)
    while at + 0.3 * RATE_HZ < stop:
        length = round(rng.uniform(0.09, 0.22) * RATE_HZ)
        time_s = np.arange(length) / RATE_HZ
        pulses = signal.sawtooth(2 * np.pi * np.cumsum(rng.uniform(95, 130) * (1 - 0.3 * time_s)) / RATE_HZ)
        vowel = np.zeros(length)
        for hz in (rng.uniform(300, 750), rng.uniform(900, 2100), 2500):
            vowel += signal.sosfilt(signal.butter(1, [hz * 0.9, hz * 1.1], "band", fs=RATE_HZ, output="sos"), pulses)
        total[at : at + length] += vowel * np.sin(np.pi * np.arange(length) / length)
        at += length + round(rng.choice([0.03, 0.05, 0.35]) * RATE_HZ)
    return total


def _automatic_gain(sound: NDArray[np.float32]) -> NDArray[np.float32]:
    """Bring loud and quiet nearer to each other, within 12 dB, as slowly as cameras do."""
    step = RATE_HZ // 100
    blocks = -(-len(sound) // step)
    level = np.array([np.abs(sound[n * step : (n + 1) * step]).mean() for n in range(blocks)])
    slow = np.exp(-1 / 80)  # eight tenths of a second
    level = signal.lfilter([1 - slow], [1, -slow], level)
    gain = (np.clip((0.02 / np.maximum(level, 1e-4)) ** 0.6, 0.5, 4.0) * 1.6).astype(np.float32)
    # The gain of a block follows the blocks before it, and glides.
    at = np.arange(len(sound), dtype=np.float32) / np.float32(step)
    return np.asarray(np.interp(at, np.arange(1, blocks + 1), gain), np.float32)
