"""A small film by hand: a song of four bars, two stage takes, one roaming take, and a cut of them."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from partsong.film.folder import FilmFolder
from partsong.film.records import (
    Clip,
    Film,
    MediaFile,
    Part,
    PictureInfo,
    Placement,
    Section,
    Shot,
    Song,
    SoundInfo,
    Take,
    TempoMark,
    Timecode,
)
from partsong.timebase import Rate, Time
from three_bars import three_bars


def clip(path: str, frames: int, rate: Rate, timecode: Timecode | None = None) -> Clip:
    """A clip with picture only."""
    return Clip(
        file=MediaFile(path=path, size_bytes=1, fingerprint="0" * 32),
        container="mov",
        duration=Time.of(frames * rate.frame_s),
        picture=PictureInfo(
            codec="h264",
            width=64,
            height=36,
            rate=rate,
            frames=frames,
            pixel_format="yuv422p10le",
            bit_depth=10,
            matrix="bt709",
            value_range="limited",
            timecode=timecode,
        ),
    )


@pytest.fixture
def film() -> Film:
    """24 frames a second; 8 s of song, that is 192 frames, at 90 beats a minute in three."""
    rate = Rate.of("24")
    mix = Clip(
        file=MediaFile(path="song/mix.wav", size_bytes=1, fingerprint="1" * 32),
        container="wav",
        duration=Time.of(Fraction(8)),
        sound=SoundInfo(codec="pcm_s24le", rate_hz=48000, channels=2, layout="stereo", samples=384000),
    )
    return Film(
        name="Four bars",
        rate=rate,
        width=64,
        height=36,
        song=Song(
            title="Four bars",
            mix=mix,
            tempo=(TempoMark(bar=1, at=Time(ticks=0), beats_per_bar=3, bpm_num=90),),
            sections=(Section(name="verse", bar=1), Section(name="end", bar=3)),
        ),
        parts=(Part(id="cajon", name="Cajón"), Part(id="bass", name="Bass")),
        takes=(
            Take(
                id="cajon-1",
                kind="stage",
                part="cajon",
                clip=clip("clips/cajon 1.mov", 240, rate, Timecode(frame=864000)),
            ),
            Take(id="bass-1", kind="stage", part="bass", clip=clip("clips/bass.mov", 300, rate)),
            Take(id="roaming-1", kind="roaming", clip=clip("clips/roam.mov", 480, Rate.of("50"))),
        ),
        placements=(
            Placement(take="cajon-1", confidence="sure", start=Time.of(Fraction(-1))),
            Placement(take="bass-1", confidence="sure", start=Time.of(Fraction(-1, 2)), drift_ppm=60.0),
            Placement(take="roaming-1", confidence="likely", start=Time.of(Fraction(1))),
        ),
        cut=(
            Shot(source="wide", start=0, end=48),
            Shot(source="cajon-1", start=48, end=96),
            Shot(source="roaming-1", start=96, end=144),
            Shot(source="bass-1", start=144, end=168),
            Shot(source="wide", start=168, end=192),
        ),
    )


@pytest.fixture
def made(tmp_path: Path) -> tuple[FilmFolder, Film]:
    """Three bars with real files."""
    return three_bars(tmp_path)
