"""A waltz of 32 bars with two roaming takes, built by hand."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Protocol

import pytest

from partsong.film.records import (
    Clip,
    Film,
    MediaFile,
    Part,
    PictureInfo,
    Placement,
    Section,
    Song,
    SoundInfo,
    Take,
    TempoMark,
)
from partsong.film.store import FilmStore
from partsong.timebase import Rate, Time


def clip(name: str, *, frames: int = 0, samples: int = 48000, rate: Rate | None = None) -> Clip:
    sound = SoundInfo(codec="pcm_s16le", rate_hz=48000, channels=2, layout="stereo", samples=samples)
    picture = None
    if rate is not None:
        picture = PictureInfo(
            codec="h264", width=64, height=36, rate=rate, frames=frames, pixel_format="yuv420p", bit_depth=8
        )
    file = MediaFile(path=name, size_bytes=1, fingerprint="0" * 32)
    return Clip(file=file, container="mov", duration=Time(ticks=samples), picture=picture, sound=sound)


class MakeFilm(Protocol):
    """Make a film of one tempo with roaming takes given as name: (song time of the first frame, frames)."""

    def __call__(
        self,
        *,
        bpm: int = ...,
        beats: int = ...,
        bars: int = ...,
        rate: str = ...,
        takes: dict[str, tuple[Fraction | int, int]] | None = ...,
        sections: dict[str, int] | None = ...,
    ) -> Film: ...


@pytest.fixture
def make_film() -> MakeFilm:
    def made(
        *,
        bpm: int = 92,
        beats: int = 3,
        bars: int = 32,
        rate: str = "24",
        takes: dict[str, tuple[Fraction | int, int]] | None = None,
        sections: dict[str, int] | None = None,
        wide: bool = True,
    ) -> Film:
        frame_rate = Rate.of(rate)
        length = Time.of(Fraction(60 * beats * bars, bpm))
        song = Song(
            title="Boathouse Waltz",
            mix=clip("mix.wav", samples=length.ticks),
            tempo=(TempoMark(bar=1, at=Time(ticks=0), beats_per_bar=beats, bpm_num=bpm),),
            sections=tuple(Section(name=name, bar=bar) for name, bar in (sections or {}).items()),
        )
        chosen = {"bass-close": (10, 480), "melodica-close": (25, 600)} if takes is None else takes
        stage = Take(id="bass-1", kind="stage", part="bass", clip=clip("bass-1.mov", frames=2000, rate=frame_rate))
        return Film(
            name="Boathouse Waltz",
            rate=frame_rate,
            song=song,
            parts=(Part(id="bass", name="Upright bass"),),
            takes=(
                *(
                    Take(id=name, kind="roaming", clip=clip(f"{name}.mov", frames=frames, rate=frame_rate))
                    for name, (_, frames) in chosen.items()
                ),
                *([stage] if wide else []),
            ),
            placements=tuple(
                Placement(take=name, confidence="sure", start=Time.of(Fraction(start)))
                for name, (start, _) in chosen.items()
            ),
        )

    return made


@pytest.fixture
def waltz(make_film: MakeFilm) -> Film:
    return make_film(sections={"verse": 5, "chorus": 17})


@pytest.fixture
def store(tmp_path: Path, waltz: Film) -> FilmStore:
    with FilmStore.create(tmp_path / "film", waltz, "Began") as opened:
        yield opened
