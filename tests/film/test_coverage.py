from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.film.coverage import PlacedTake, placed_takes, song_frames
from partsong.film.records import Clip, Film, MediaFile, PictureInfo, Placement, Song, SoundInfo, Take
from partsong.timebase import Rate, Time, round_half_up


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


# --- what drift does to the picture -------------------------------------------------------------


def test_drift_names_the_frames_that_are_shown_twice_or_left_out():
    # 100 ppm over 100 000 frames are ten frames. The picture starts on a whole frame, so a frame is due every 10 000,
    # the first one when half a frame has gathered.
    slow = placed(Fraction(0), frames=100_000, drift_ppm=100.0).retimed()
    assert slow.by_end_frames == pytest.approx(10)
    assert slow.left_out == ()
    assert len(slow.twice) == 10
    assert slow.twice[0] == 5001  # 5001 / 1.0001 = 5000.4999: the first song frame nearer to the take's frame 5000
    fast = placed(Fraction(0), frames=100_000, drift_ppm=-100.0).retimed()
    assert fast.twice == ()
    assert len(fast.left_out) == 10
    assert placed(Fraction(0), frames=100_000).retimed().twice == ()


def test_drift_is_told_by_another_rate_but_not_blamed():
    retimed = placed(Fraction(0), rate="50", frames=1000, drift_ppm=50.0).retimed()

    assert (retimed.twice, retimed.left_out) == (None, None)
    assert retimed.by_end_frames == pytest.approx(0.05)


@given(st.fractions(min_value=-5, max_value=5), st.integers(1, 400), st.floats(-20_000, 20_000))
def test_every_other_frame_follows_the_one_before(start_s, frames, drift_ppm):
    take = placed(start_s, frames=frames, drift_ppm=drift_ppm)
    retimed, covered = take.retimed(), take.frames()
    for frame in covered[1:]:
        step = take.source_frame(frame) - take.source_frame(frame - 1)
        assert step == (0 if frame in retimed.twice else 2 if frame in retimed.left_out else 1)


@given(
    st.fractions(min_value=-5, max_value=5),
    st.sampled_from(["24", "25", "50"]),
    st.integers(1, 300),
    st.floats(-5000, 5000),
)
def test_the_picture_is_never_further_from_the_song_than_is_told(start_s, rate, frames, drift_ppm):
    take = placed(start_s, rate=rate, frames=frames, drift_ppm=drift_ppm)
    least, most = take.early_s()
    start, stretch = take.placement.start.seconds, 1 + Fraction(drift_ppm) / 1_000_000
    told = [start + take.source_frame(n) * take.take.picture.rate.frame_s * stretch - Fraction(n, 24)
            for n in take.frames()]  # fmt: skip
    assert all(least <= early <= most for early in told)
    if rate == "24" and told:
        assert (min(told), max(told)) == (least, most)
        assert max(abs(least), abs(most)) <= Fraction(1, 48) * stretch


@given(
    st.fractions(min_value=-20, max_value=20),
    st.sampled_from(["24", "25", "24000/1001", "50"]),
    st.floats(-200, 200),
    st.integers(-10, 10**6),
)
def test_a_frame_is_the_one_nearest_to_the_exact_time(start_s, rate, drift_ppm, song_frame):
    take = placed(start_s, rate=rate, drift_ppm=drift_ppm)
    exact = take.media_s(song_frame * take.rate.frame_s) * take.take.picture.rate.exact
    assert take.source_frame(song_frame) == round_half_up(exact)
