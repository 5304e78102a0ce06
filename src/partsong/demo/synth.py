"""The instruments: played notes to each part's dry stem, and the stems to the mix.

Plucked string after Karplus and Strong, free reeds as band-limited wave tables with breath, struck bars and the
cajón as sums of decaying modes with a burst of noise. Everything is at 48 kHz and starts exactly at song time 0.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from partsong.demo.tune import PARTS, Note, Performance

RATE_HZ = 48000
PEAK_LIMIT = 10 ** (-1.5 / 20)
"""The greatest sample of the mix: 1.5 dB below full scale, so that the true peak stays below -1 dB."""

Sound = NDArray[np.float32]
_Floats = NDArray[np.float64]

# Transverse modes of a bar with free ends, as multiples of the lowest: (2n + 1)^2 / 3.0112^2. Fletcher and Rossing,
# "The Physics of Musical Instruments", on bars.
BAR_MODES = (1.0, 2.756, 5.404, 8.933)

_GAIN = {"cajon": 0.62, "upright-bass": 0.85, "harmonium": 0.33, "glockenspiel": 0.30, "melodica": 0.42}
_PAN = {"cajon": -0.35, "upright-bass": -0.1, "harmonium": 0.15, "glockenspiel": 0.4, "melodica": 0.05}


def stem(song: Performance, part: str, *, seed: int = 1) -> Sound:
    """Play one part alone.

    Returns
    -------
    float32 array, shape (samples,)
        As long as the song; the same seed gives the same samples.
    """
    voice: Callable[[Note, np.random.Generator], _Floats] = _VOICES[part]
    samples = round(song.length_s * RATE_HZ)
    rng = np.random.default_rng([seed, PARTS.index(part)])
    sound = np.zeros(samples)
    for note in song.notes[part]:
        heard = voice(note, rng)
        start = round(note.at_s * RATE_HZ)
        stop = min(samples, start + len(heard))
        sound[start:stop] += heard[: stop - start]
    # The last moments fade, so that the file does not end on a step.
    fade = round(0.3 * RATE_HZ)
    sound[-fade:] *= np.linspace(1, 0, fade) ** 2
    return (sound * _GAIN[part]).astype(np.float32)


def mix(
    stems: dict[str, Sound], *, loudness: Callable[[Sound], float], target_lufs: float = -16.0, seed: int = 1
) -> tuple[Sound, dict[str, Sound]]:
    """Sum the stems to stereo, with a small room around them.

    Parameters
    ----------
    stems : dict of float32 arrays, shape (samples,)
        The dry parts, in any order.
    loudness : callable
        Measures the integrated loudness in LUFS of sound of shape (samples, 2).
    target_lufs : float
        What the mix is brought to.
    seed : int
        Of the room's tail.

    Returns
    -------
    mix : float32 array, shape (samples, 2)
        Sample n of the mix is sample n of every stem. Peaks are rounded off below ``PEAK_LIMIT``.
    stems : dict of float32 arrays
        The stems under the mix's gain.
    """
    samples = max(len(sound) for sound in stems.values())
    both, sent = np.zeros((samples, 2), np.float32), np.zeros(samples, np.float32)
    for part, sound in stems.items():
        angle = (1 + _PAN.get(part, 0.0)) * np.pi / 4
        for ear, share in enumerate((np.cos(angle), np.sin(angle))):
            both[:, ear] += sound * np.float32(share * np.sqrt(2))
        sent += sound * np.float32(0.4 if part in ("cajon", "upright-bass") else 1.0)
    room = _small_room(np.random.default_rng([seed, 99])).astype(np.float32)
    for ear in (0, 1):
        both[:, ear] += np.float32(0.35) * signal.oaconvolve(sent, room[:, ear])[:samples]
    gain = np.float32(10 ** ((target_lufs - loudness(both)) / 20))
    return _rounded_off(both * gain), {part: sound * gain for part, sound in stems.items()}


def _rounded_off(sound: Sound) -> Sound:
    """Leave everything below half of the limit alone and bend the rest to stay beneath it."""
    knee = np.float32(PEAK_LIMIT / 2)
    over = np.maximum(np.abs(sound) - knee, 0)
    return np.asarray(np.sign(sound) * (np.minimum(np.abs(sound), knee) + knee * np.tanh(over / knee)))


def _small_room(rng: np.random.Generator) -> _Floats:
    time_s = np.arange(round(0.7 * RATE_HZ)) / RATE_HZ
    tail = rng.normal(size=(len(time_s), 2)) * (10 ** (-3 * time_s / 0.6) * (1 - np.exp(-time_s / 0.008)))[:, None]
    tail = signal.sosfilt(signal.butter(1, [250, 5000], "band", fs=RATE_HZ, output="sos"), tail, axis=0)
    return np.asarray(tail / np.sqrt((tail**2).sum(axis=0)))


# --- voices -----------------------------------------------------------------------------------------


def _hz(pitch: float) -> float:
    return float(440 * 2 ** ((pitch - 69) / 12))


def _time(seconds: float) -> _Floats:
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def _modes(time_s: _Floats, modes: Sequence[tuple[float, float, float]]) -> _Floats:
    """Sum decaying sines: (frequency in Hz, strength, time in seconds to fall by 60 dB)."""
    total = np.zeros_like(time_s)
    for hz, strength, fall_s in modes:
        if hz < 0.45 * RATE_HZ:
            total += strength * np.sin(2 * np.pi * hz * time_s) * 10 ** (-3 * time_s / fall_s)
    return total


def _burst(time_s: _Floats, low_hz: float, high_hz: float, fall_s: float, rng: np.random.Generator) -> _Floats:
    """Band-limited noise that falls by 60 dB in ``fall_s`` and is left out once it has fallen by 80."""
    burst = np.zeros_like(time_s)
    heard = time_s[: round(1.33 * fall_s * RATE_HZ)]
    noise = rng.normal(size=len(heard)) * 10 ** (-3 * heard / fall_s)
    burst[: len(heard)] = signal.sosfilt(_band(low_hz, high_hz), noise)
    return burst


@lru_cache(maxsize=64)
def _band(low_hz: float, high_hz: float) -> Any:
    return signal.butter(2, [low_hz, high_hz], "band", fs=RATE_HZ, output="sos")


def _cajon(note: Note, rng: np.random.Generator) -> _Floats:
    time_s = _time(0.6)
    tune = rng.normal(1, 0.01)
    if note.touch == "bass":
        body = _modes(time_s, [(72 * tune, 1.0, 0.42), (118 * tune, 0.5, 0.28), (205, 0.22, 0.15), (330, 0.12, 0.1)])
        return note.force * (0.9 * body + 0.5 * _burst(time_s, 150, 1800, 0.05, rng))
    wood = _modes(time_s, [(190 * tune, 0.30, 0.13), (420 * tune, 0.26, 0.09), (930, 0.2, 0.06), (1650, 0.12, 0.04)])
    slap = 0.75 * _burst(time_s, 1400, 7000, 0.07, rng)
    wires = 0.28 * _burst(time_s, 3000, 11000, 0.22, rng)
    if note.touch == "tip":
        return note.force * (0.6 * wood + 0.6 * slap + 0.5 * wires)
    return note.force * (wood + slap + wires)


def _bass(note: Note, rng: np.random.Generator) -> _Floats:
    hz, seconds = _hz(note.pitch), min(note.held_s + 0.25, 2.6)
    time_s = _time(seconds)
    # Karplus and Strong (1983): a burst of noise goes round a delay line with an averaging filter. Written as one
    # recursive filter: the first pair of taps damps, the second makes up the fraction of a sample that tunes it.
    damping = 0.25
    period = RATE_HZ / hz - damping
    whole, fraction = divmod(period, 1)
    whole = int(whole)
    taps = 0.996 * np.convolve([1 - damping, damping], [1 - fraction, fraction])
    pluck = rng.normal(size=whole)
    pluck = signal.lfilter([0.22], [1, -0.78], pluck)  # a soft finger
    pluck -= np.roll(pluck, whole // 5)  # plucked at a fifth of the string
    drive = np.zeros(len(time_s))
    drive[: len(pluck)] = pluck - pluck.mean()
    behind = whole + 2
    looped = np.concatenate([np.zeros(behind), drive])
    for at in range(behind, len(looped), whole):  # a block as long as the delay needs only what lies before it
        stop = min(at + whole, len(looped))
        for tap, further in zip(taps, range(3), strict=True):
            looped[at:stop] += tap * looped[at - whole - further : stop - whole - further]
    string = looped[behind:]
    string /= np.abs(string).max() + 1e-9
    body = _modes(time_s, [(68, 0.25, 0.35), (105, 0.3, 0.3), (210, 0.12, 0.15)])
    finger = 0.10 * _burst(time_s, 300, 2500, 0.03, rng)
    rise = np.minimum(time_s / 0.003, 1)
    release = np.clip((seconds - time_s) / 0.18, 0, 1)
    warm = signal.sosfilt(signal.butter(2, 1400, fs=RATE_HZ, output="sos"), string)
    return np.asarray(note.force * rise * release * (0.8 * warm + 0.3 * body + finger))


def _reed(
    note: Note,
    rng: np.random.Generator,
    *,
    slope: float,
    odd: float,
    attack_s: float,
    release_s: float,
    beating: float,
    breath: float,
) -> _Floats:
    """A free reed: all harmonics below the limit of hearing, two tongues a little apart, air, a swell, a release."""
    seconds = note.held_s + release_s
    time_s = _time(seconds)
    hz = _hz(note.pitch)
    count = int(min(40, 16000 / hz))
    order = np.arange(1, count + 1)
    strength = order**-slope * np.where(order % 2, 1.0, odd) * np.exp(-order * hz / 9000)
    spectrum = np.zeros(1025, complex)
    spectrum[1 : count + 1] = strength * np.exp(2j * np.pi * rng.uniform(size=count))
    table = np.fft.irfft(spectrum)
    table = np.append(table, table[0]) / np.abs(table).max()
    sway = 1 + 0.0012 * np.sin(2 * np.pi * 5.1 * time_s + rng.uniform(0, 6)) * np.minimum(time_s / 0.5, 1)
    total = np.zeros_like(time_s)
    for tongue in (1 - beating, 1 + beating):
        phase = np.cumsum(hz * tongue * sway) / RATE_HZ + rng.uniform()
        total += np.interp((phase % 1) * 2048, np.arange(2049), table)
    envelope = (1 - np.exp(-time_s / attack_s)) * np.clip((seconds - time_s) / release_s, 0, 1)
    swell = 0.85 + 0.15 * np.sin(np.pi * np.clip(time_s / note.held_s, 0, 1))
    air = breath * _burst(time_s, 700, 6000, 60, rng)
    # The tongue lets go with a puff of air, and the key knocks on its bed.
    chiff = 3 * breath * _burst(time_s, 900, 6000, 0.05, rng) + 0.2 * _burst(time_s, 1500, 7000, 0.03, rng)
    return note.force * (envelope * swell * (0.5 * total + air) + chiff)


def _harmonium(note: Note, rng: np.random.Generator) -> _Floats:
    return _reed(note, rng, slope=1.15, odd=0.8, attack_s=0.025, release_s=0.055, beating=0.0009, breath=0.02)


def _melodica(note: Note, rng: np.random.Generator) -> _Floats:
    return _reed(note, rng, slope=0.85, odd=0.55, attack_s=0.009, release_s=0.03, beating=0.0003, breath=0.05)


def _glockenspiel(note: Note, rng: np.random.Generator) -> _Floats:
    time_s, hz = _time(2.4), _hz(note.pitch)
    lengths = (2.0, 0.7, 0.25, 0.1)
    strengths = (1.0, 0.35 * rng.uniform(0.8, 1.2), 0.16, 0.06)
    bar = _modes(time_s, [(hz * m, s, t) for m, s, t in zip(BAR_MODES, strengths, lengths, strict=True)])
    return note.force * (0.7 * bar + 0.15 * _burst(time_s, 2500, 12000, 0.015, rng))


_VOICES: dict[str, Any] = {
    "cajon": _cajon,
    "upright-bass": _bass,
    "harmonium": _harmonium,
    "glockenspiel": _glockenspiel,
    "melodica": _melodica,
}
