"""Takes of one camera share its clock."""

from fractions import Fraction

import pytest

from partsong.film.records import Clip, Evidence, MediaFile, PictureInfo, Placement, Take
from partsong.lineup.clocks import camera_clocks, odd_one, with_clock
from partsong.lineup.joint import alone, settle
from partsong.timebase import Rate, Time


def take(name, length_s=120, folder="a"):
    picture = PictureInfo(
        codec="h264", width=8, height=8, rate=Rate.of(25), frames=25 * length_s, pixel_format="yuv420p", bit_depth=8
    )
    file = MediaFile(path=f"{folder}/{name}.mov", size_bytes=1, fingerprint="0" * 32)
    return Take(
        id=name, kind="roaming", clip=Clip(file=file, container="mov", duration=Time.of(length_s), picture=picture)
    )


def placed(name, drift_ppm, method="phase", **more):
    return Placement(
        take=name,
        confidence="likely" if method.startswith("picture") else "sure",
        start=Time.of(Fraction(3)),
        drift_ppm=drift_ppm,
        evidence=Evidence(method=method),
        sentence="Alone.",
        **more,
    )


def clocks(*placements, takes=None):
    takes = takes or [take(one.take) for one in placements]
    return camera_clocks(takes, {one.take: one for one in placements})


def test_two_takes_that_agree_tell_a_cameras_clock():
    (clock,) = clocks(placed("a", 31.0), placed("b", 33.0), placed("c", -90.0)).values()

    assert clock.drift_ppm == 32.0
    assert clock.takes == ("a", "b")


def test_one_take_two_that_differ_short_ones_and_those_by_hand_tell_nothing():
    assert clocks(placed("a", 31.0)) == {}
    assert clocks(placed("a", 31.0), placed("b", -31.0)) == {}
    assert clocks(placed("a", 31.0), placed("b", 31.0), takes=[take("a"), take("b", 20)]) == {}
    assert clocks(placed("a", 31.0), placed("b", 31.0, by_hand=True)) == {}
    assert clocks(placed("a", 31.0), placed("b", 31.0, method="onsets")) == {}
    assert clocks(placed("a", 31.0), placed("b", 31.0), takes=[take("a"), take("b", folder="b")]) == {}


def test_a_clock_that_is_not_its_cameras_is_told():
    found = [placed("a", 0.0), placed("b", 0.4), placed("c", -57.2)]
    camera = clocks(*found)

    assert odd_one(take("c"), found[2], camera).startswith("Its clock runs -57 ppm from that of a, b")
    assert odd_one(take("a"), found[0], camera) == ""
    assert odd_one(take("d", folder="elsewhere"), placed("d", 300.0), camera) == ""


@pytest.mark.parametrize("method", ["picture: movement against the stem", "onsets"])
def test_a_take_whose_clock_is_not_known_runs_like_its_camera_about_its_middle(method):
    blind = placed("c", 0.0, method=method)
    moved = with_clock(take("c"), blind, clocks(placed("a", 60.0), placed("b", 60.0)))

    assert moved.drift_ppm == 60.0
    # 60 ppm of a minute are 3.6 ms: the first frame lies that much earlier, the last that much later.
    assert float(moved.start) == pytest.approx(3 - 0.0036, abs=2e-5)
    assert "like that of a, by the same camera: +60.0 ppm" in moved.sentence
    assert (
        with_clock(take("c"), blind.replace(by_hand=True), clocks(placed("a", 60.0), placed("b", 60.0))).drift_ppm == 0
    )


def test_the_cameras_clock_is_asked_for_once():
    takes = [take(name) for name in "abc"]
    before = (placed("a", 60.0), placed("b", 60.0), placed("c", 0.0, method="picture: movement against the stem"))
    once = settle(takes, before, (), 100.0)

    assert once[2].drift_ppm == 60.0
    assert alone(once[2]) == before[2]
    assert settle(takes, once, (), 100.0) == once
