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
    Point,
    Stage,
    Take,
)
from partsong.prepare.optics import field_width_m
from partsong.prepare.plan import across_frame, missing, spots
from partsong.timebase import Rate, Time

LENS = {"focal_mm": 24.0, "sensor_mm": 36.0}


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
        name="Plan", width=1920, height=1080,
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
    bass = spots(film, **LENS)[0]
    assert (bass.x_m, bass.y_m) == pytest.approx((0.0, 4.0), abs=1e-9)


def test_the_edge_of_the_frame_lies_at_half_the_width_of_the_field(film):
    # The middle of the curve is pixel 1800 of 1920: at 3 m from the lens, straight ahead, the frame is as wide as the
    # handbook's formula says (Ray, Applied Photographic Optics; see optics).
    oboe = spots(film, **LENS)[1]
    assert oboe.across == pytest.approx(1800.5 / 1920)
    assert math.hypot(oboe.x_m, oboe.y_m) == pytest.approx(3.0)
    half_m = field_width_m(LENS["focal_mm"], LENS["sensor_mm"], oboe.y_m) / 2
    assert oboe.x_m == pytest.approx((2 * 1800.5 / 1920 - 1) * half_m)


def test_what_is_not_known_is_said_and_not_made_up(film):
    found = spots(film, **LENS)
    bells, voice = found[2:]
    assert (bells.across, bells.x_m, bells.y_m) == (None, None, None)
    assert (voice.distance_m, voice.x_m) == (None, None)
    assert missing(found) == (
        "Not measured yet: how far from the camera Voice will be.",
        "Not known yet: where in the frame Bells will be. That follows from the masks, once takes are staged; until "
        "then write it on the sheet.",
    )
    assert missing(found[:2]) == ()
    assert across_frame(film.replace(width=None, height=None), "bass") is None
