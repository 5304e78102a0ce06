from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.film.coverage import PlacedTake, placed_takes, song_frames
from partsong.film.records import Clip, Film, MediaFile, PictureInfo, Placement, Song, SoundInfo, Take
from partsong.timebase import Rate, Time


def take_of(rate: str, frames: int) -> Take:
    picture = PictureInfo(
        codec="h264", width=8, height=8, rate=Rate.of(rate), frames=frames, pixel_format="yuv420p", bit_depth=8
    )
    file = MediaFile(path="a.mov", size_bytes=1, fingerprint="0" * 32)
    return Take(id="a", kind="roaming", clip=Clip(file=file, container="mov", duration=Time(ticks=1), picture=picture))


def placed(start_s: Fraction, *, rate: str = "24", frames: int = 100, drift_ppm: float = 0.0) -> PlacedTake:
    placement = Placement(take="a", confidence="sure", start=Time.of(start_s), drift_ppm=drift_ppm)
    return PlacedTake(take_of(rate, frames), placement, Rate.of(24))


def test_frames_run_side_by_side_when_rates_agree():
    assert placed(Fraction(2)).frames() == range(48, 148)
    assert placed(Fraction(2)).source_frame(50) == 2
    assert placed(Fraction(-1)).frames() == range(76)


def test_another_rate_shows_the_nearest_frame():
    take = placed(Fraction(0), rate="50", frames=100)
    assert [take.source_frame(n) for n in range(4)] == [0, 2, 4, 6]  # 0, 2.08, 4.17, 6.25


def test_a_fast_camera_clock_moves_the_picture_a_frame_in_time():
    # 60 ppm over 60 minutes is 0.216 s: 5.2 frames at 24 (check values, aud.drift rows: ppm x seconds / 1000 ms).
    take = placed(Fraction(0), frames=100_000, drift_ppm=-60.0)
    assert take.source_frame(3600 * 24) - 3600 * 24 == 5


@given(
    st.fractions(min_value=-20, max_value=20),
    st.sampled_from(["24", "25", "24000/1001", "30000/1001", "50"]),
    st.integers(1, 400),
    st.floats(-200, 200),
)
def test_the_covered_frames_are_exactly_those_that_have_a_picture(start_s, rate, frames, drift_ppm):
    take = placed(start_s, rate=rate, frames=frames, drift_ppm=drift_ppm)
    covered = take.frames()
    for song_frame in range(max(0, covered.start - 3), covered.stop + 3):
        assert (song_frame in covered) == (0 <= take.source_frame(song_frame) < frames)


def test_only_sure_and_likely_takes_are_shown():
    take = take_of("24", 10)
    film = Film(name="x", takes=(take,), placements=(Placement(take="a", confidence="ask", start=Time(ticks=0)),))
    with pytest.raises(InvalidInput, match="no frame rate yet"):
        placed_takes(film)
    film = film.replace(rate=Rate.of(24))
    assert placed_takes(film) == ()
    film = film.replace(placements=(Placement(take="a", confidence="likely", start=Time(ticks=0)),))
    assert [found.take.id for found in placed_takes(film)] == ["a"]


@pytest.mark.parametrize(("ticks", "frames"), [(48000, 24), (48001, 25), (1, 1)])
def test_the_song_fills_its_last_frame_even_in_part(ticks, frames):
    sound = SoundInfo(codec="pcm", rate_hz=48000, channels=1, layout="mono", samples=ticks)
    file = MediaFile(path="mix.wav", size_bytes=1, fingerprint="0" * 32)
    mix = Clip(file=file, container="wav", duration=Time(ticks=ticks), sound=sound)
    assert song_frames(Film(name="x", rate=Rate.of(24), song=Song(title="x", mix=mix))) == frames
