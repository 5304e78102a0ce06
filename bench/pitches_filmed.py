"""What a camera might hear of songs, drawn anew for every example: rooms, noise, talk, and bad recording.

A room is a direct sound, fourteen reflections and noise that dies away, faster where it is higher; then noise, hum,
somebody who talks, a narrow microphone, gain control, clipping. None of it is that of ``bench/placing``, whose rooms
are those of an acoustics library. A note that starts is still told where it starts at the direct sound: how late a hall
sounds is what the network learns.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import torch

from partsong.lineup import pitches
from partsong.lineup.features import ONSET_RATE_HZ, RATE_HZ

HOP = RATE_HZ // ONSET_RATE_HZ
ROOM = 28000  # samples


class Camera:
    """A camera in a room, another one for every sound."""

    def __init__(self, talk: Any, device: str) -> None:
        """Take talk, a tensor on the device."""
        self._talk, self._device = talk, device
        self._rng, self._chance = np.random.default_rng(0), torch.Generator(device).manual_seed(1)

    def _within(self, count: int, low: float, high: float) -> Any:
        return torch.rand((count, 1), device=self._device, generator=self._chance) * (high - low) + low

    def _maybe(self, count: int, share: float) -> Any:
        return (torch.rand((count, 1), device=self._device, generator=self._chance) < share).float()

    def _noise(self, count: int, length: int) -> Any:
        return torch.randn((count, length), device=self._device, generator=self._chance)

    def _rooms(self, count: int) -> Any:
        """Return impulse responses; the direct sound is the first sample, 4 dB above to 20 below all that follows."""
        within, t = self._within, torch.arange(ROOM, device=self._device) / RATE_HZ
        reverb_s = within(count, 0.25, 1.9)
        hz = torch.fft.rfftfreq(2 * ROOM, 1 / RATE_HZ).to(self._device)
        low = 1 / (1 + (hz / within(count, 800, 4000)) ** 4)
        deep = self._noise(count, ROOM) * torch.exp(-6.9 * t / reverb_s)
        high = self._noise(count, ROOM) * torch.exp(-6.9 * t / (reverb_s * within(count, 0.35, 0.95)))
        both = torch.fft.rfft(deep, 2 * ROOM) * low + torch.fft.rfft(high, 2 * ROOM) * (1 - low)
        late = torch.fft.irfft(both, 2 * ROOM)[:, :ROOM]
        late *= (0.15 + 0.85 * (1 - torch.exp(-t / within(count, 0.002, 0.05)))) * (t > within(count, 0, 0.01))
        early = torch.zeros_like(late)
        for _ in range(14):
            after_s = 10 ** within(count, -2.8, -1.1)
            at = (after_s * RATE_HZ).long()
            early.scatter_(1, at, self._noise(count, 1) * 0.005 / (after_s + 0.005))
        late = _levelled(late) + _levelled(early) * within(count, 0, 0.9)
        late = _levelled(late) * 10 ** (-within(count, -20, 4) / 20) * self._maybe(count, 0.93)
        late[:, 0] = 1.0
        return late

    def hears(self, sound: Any) -> Any:
        """Return what cameras hear of sounds (count, samples)."""
        count, length = sound.shape
        within, maybe = self._within, self._maybe
        room = self._rooms(count)
        size = length + room.shape[1]
        wet = torch.fft.irfft(torch.fft.rfft(sound, size) * torch.fft.rfft(room, size), size)[:, :length]
        hz = torch.fft.rfftfreq(length, 1 / RATE_HZ).to(self._device)
        t = torch.arange(length, device=self._device) / RATE_HZ
        slope = torch.clamp(hz, min=40) ** within(count, 0, 0.8)
        noise = _even(torch.fft.irfft(torch.fft.rfft(self._noise(count, length)) / slope, length))
        hum = 0.4 * torch.sin(2 * math.pi * 50 * t + within(count, 0, 6))
        hum = hum + 0.2 * torch.sin(2 * math.pi * 150 * t + within(count, 0, 6))
        heard = _even(wet) + 10 ** (within(count, -32, 4) / 20) * (noise + maybe(count, 0.6) * hum)
        at = (within(count, 0, 1) * (len(self._talk) - length)).long()
        said = _even(self._talk[at + torch.arange(length, device=self._device)])
        heard = heard + maybe(count, 0.35) * 10 ** (within(count, -9, 4) / 20) * said
        low_hz, high_hz, narrow = within(count, 80, 400), within(count, 2800, 7500), maybe(count, 0.4)
        band = 1 / ((1 + (low_hz / torch.clamp(hz, min=1)) ** 8) * (1 + (hz / high_hz) ** 8))
        heard = torch.fft.irfft(torch.fft.rfft(heard) * (narrow * band + 1 - narrow), length)
        slow = int(self._rng.integers(1000, 14000))
        before = torch.nn.functional.pad(heard.abs()[:, None], (slow, 0), mode="reflect")
        level = torch.nn.functional.avg_pool1d(before, slow + 1, 1)[:, 0][:, :length]
        gain = maybe(count, 0.6) * within(count, 0.3, 1)
        heard = heard / (level + 1e-3 * level.amax(1, keepdim=True)) ** gain
        most = heard.abs()[:, ::7].quantile(self._rng.uniform(0.85, 1), dim=1, keepdim=True)
        clipped = maybe(count, 0.35)
        return clipped * torch.clamp(heard, -most, most) + (1 - clipped) * heard


def banks_on(device: str) -> list[Any]:
    """Return how much each frequency counts for each pitch, window by window, on a device."""
    return [torch.tensor(pitches._bank(window), device=device) for window in pitches._WINDOWS]


def rows_of(sound: Any, banks: list[Any], factor: Any) -> Any:
    """Return levels as :func:`partsong.lineup.pitches.pitch_starts` sees them: (batch, 8, pitches, pairs of frames).

    ``factor`` times what it takes for quiet is quiet.
    """
    rows = []
    for window, bank in zip(pitches._WINDOWS, banks, strict=True):
        shape = torch.hann_window(window, device=sound.device)
        shape = shape * math.sqrt(2 / (window * float((shape**2).sum())))
        framed = torch.nn.functional.pad(sound, (window // 2, window // 2)).unfold(1, window, HOP)
        spectrum = torch.fft.rfft(framed[:, : sound.shape[1] // HOP] * shape)
        power = (spectrum.real**2 + spectrum.imag**2) @ bank
        quiet, loud = (power[:, ::8].quantile(share, dim=1) for share in (0.3, 0.99))
        floor = torch.clamp(torch.maximum(2 * quiet, 1e-5 * loud), min=1e-12) * factor
        rows.append((torch.log1p(power / floor[:, None]) / 4).transpose(1, 2))
    stacked = torch.stack(rows, 1)
    return torch.cat([stacked[..., 0::2], stacked[..., 1::2]], 1)


def _even(sound: Any) -> Any:
    return sound / (sound.pow(2).mean(1, keepdim=True).sqrt() + 1e-9)


def _levelled(sound: Any) -> Any:
    return sound / (sound.pow(2).sum(1, keepdim=True).sqrt() + 1e-9)
