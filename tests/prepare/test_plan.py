"""The stage from above: directions from the frame, distances from the tape measure, and what is not known."""

import math

import pytest

from partsong.film.records import (
    Clip,
    Curve,
    Film,
    Mask,
    MediaFile,
    Oval,
    Part,
    PictureInfo,
    Plan,
    PlannedCamera,
    PlannedSpot,
    Point,
    Stage,
    Take,
)
from partsong.prepare.optics import field_width_m
from partsong.prepare.plan import across_frame, missing, off_plan, spots
from partsong.timebase import Rate, Time

LENS = PlannedCamera(focal_mm=24.0, sensor_mm=36.0)


def take(part):
    picture = PictureInfo(
        codec="h264", width=1920, height=1080, rate=Rate.of(25), frames=25, pixel_format="yuv420p", bit_depth=8
    )
    file = MediaFile(path=f"{part}.mov", size_bytes=1, fingerprint="0" * 32)
    return Take(
        id=f"{part}-1",
        kind="stage",
        part=part,
        clip=Clip(file=file, container="mov", duration=Time.of(1), picture=picture),
    )


@pytest.fixture
def film():
    points = tuple(Point(x=x, y=y) for x, y in ((1700, 100), (1900, 100), (1900, 900), (1700, 900)))
    return Film(
        name="Plan", width=1920, height=1080, plan=Plan(camera=LENS),
        parts=(
            Part(id="bass", name="Bass", distance_m=4.0), Part(id="oboe", name="Oboe", distance_m=3.0),
            Part(id="bells", name="Bells", distance_m=5.0), Part(id="voice", name="Voice"),
        ),
        takes=(take("bass"), take("oboe"), take("voice")),
        stage=Stage(
            order=("bass-1", "oboe-1", "voice-1"),
            masks=(
                Mask(take="bass-1", shape=Oval(x=959.5, y=500, rx=100, ry=200), feather_px=20),
                Mask(take="oboe-1", shape=Curve(points=points), feather_px=20),
                Mask(take="voice-1", shape=Oval(x=100, y=500, rx=50, ry=200), feather_px=20),
            ),
        ),
    )  # fmt: skip


def test_the_middle_of_the_frame_lies_straight_ahead(film):
    bass = spots(film)[0]
    assert (bass.x_m, bass.y_m) == pytest.approx((0.0, 4.0), abs=1e-9)


def test_the_edge_of_the_frame_lies_at_half_the_width_of_the_field(film):
    # The middle of the curve is pixel 1800 of 1920: at 3 m from the lens, straight ahead, the frame is as wide as the
    # handbook's formula says (Ray, Applied Photographic Optics; see optics).
    oboe = spots(film)[1]
    assert oboe.across == pytest.approx(1800.5 / 1920)
    assert math.hypot(oboe.x_m, oboe.y_m) == pytest.approx(3.0)
    half_m = field_width_m(LENS.focal_mm, LENS.sensor_mm, oboe.y_m) / 2
    assert oboe.x_m == pytest.approx((2 * 1800.5 / 1920 - 1) * half_m)


def test_what_is_not_known_is_said_and_not_made_up(film):
    found = spots(film)
    bells, voice = found[2:]
    assert (bells.across, bells.x_m, bells.y_m) == (None, None, None)
    assert (voice.distance_m, voice.x_m) == (None, None)
    assert missing(found) == (
        "Not planned yet: where Bells and Voice will be played.",
        "Not measured yet: how far from the camera Voice will be.",
    )
    assert missing(found[:2]) == ()
    assert across_frame(film.replace(width=None, height=None), "bass") is None


def test_a_spot_stands_where_it_was_planned_and_says_how_far_off_it_was_filmed(film):
    plan = Plan(
        camera=LENS, spots=(PlannedSpot(part="bass", x_m=0.3, y_m=4.0), PlannedSpot(part="bells", x_m=1, y_m=5))
    )
    planned = film.replace(plan=plan)
    bass, _, bells, _ = spots(planned)
    assert (bass.x_m, bass.y_m, bass.distance_m) == (0.3, 4.0, 4.0)
    assert (bells.x_m, bells.y_m) == (1.0, 5.0)
    # The frame is 6 m wide at 4 m; the mask lies in its middle, so that 0.3 m to the right are a twentieth of it.
    ((part, off),) = off_plan(planned)
    assert part == "bass"
    assert off == pytest.approx(-0.05)
