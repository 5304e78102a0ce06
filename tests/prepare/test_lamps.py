"""The light of planned lamps: handbook formulas for strength, exposure after ISO 2720, shadows by similar triangles."""

import math

import pytest

from partsong.film.records import PlannedCamera, PlannedLamp, PlannedRoom, PlannedSpot
from partsong.prepare.lamps import aperture_for, chest, falls_on, key_of, lux_at, shadow_of
from partsong.prepare.light import stops_between

SPOT = PlannedSpot(part="bass", x_m=0.0, y_m=4.0, width_m=1.0, height_m=2.0)


def lamp(**values):
    return PlannedLamp.of(
        **{"id": "key", "part": "bass", "x_m": 0.0, "y_m": 2.0, "height_m": 1.4, "candela": 900.0, **values}
    )


def test_light_falls_with_the_square_of_distance():
    # E = I / d^2 (any optics handbook): 900 candela, 2 m away, are 225 lux on what faces the lamp.
    assert lux_at(lamp(), SPOT, chest(SPOT), dome=False) == pytest.approx(225)
    farther = lux_at(lamp(y_m=0.0), SPOT, chest(SPOT), dome=False)
    assert math.log2(farther / 225) == pytest.approx(stops_between(2, 4))
    assert lux_at(lamp(candela=None), SPOT, chest(SPOT)) == 0


def test_a_beam_gives_half_at_half_of_its_angle():
    # Twenty degrees beside the middle of a beam of forty, at the same distance.
    turned = math.radians(20)
    place = (2 * math.sin(turned), 2 + 2 * math.cos(turned), 1.4)
    assert lux_at(lamp(beam_deg=40.0), SPOT, place, dome=False) == pytest.approx(112.5)


def test_a_dome_counts_light_from_behind_as_none_and_from_the_side_as_half():
    assert lux_at(lamp(), SPOT, chest(SPOT)) == pytest.approx(225)  # from the camera's side
    assert lux_at(lamp(x_m=2.0, y_m=4.0), SPOT, chest(SPOT)) == pytest.approx(112.5)
    assert lux_at(lamp(y_m=6.0), SPOT, chest(SPOT)) == pytest.approx(0, abs=1e-9)


def test_exposure_follows_the_meter_standard():
    # ISO 2720:1974: N^2 / t = E S / C, C = 330 for a dome (320 to 540 are allowed; from memory). With E = 3.3 lux and
    # ISO 100 that is EV 0: f/1 for one second.
    camera = PlannedCamera(iso=100.0, shutter=1.0)
    assert aperture_for(3.3, camera) == pytest.approx(1.0)
    # Four times the light, or four times the ISO, is two stops: twice the f-number. A quarter of the time is half.
    assert aperture_for(13.2, camera) == pytest.approx(2.0)
    assert aperture_for(13.2, camera.replace(iso=400.0, shutter=4.0)) == pytest.approx(2.0)


def test_where_a_lamp_stands_is_told_from_the_player():
    key = key_of(lamp(x_m=2.0, y_m=2.0, height_m=1.4 + 2 * math.sqrt(2)), SPOT)
    assert (key.side_deg, key.above_deg) == pytest.approx((45.0, 45.0))
    assert key_of(lamp(x_m=-2.0), SPOT).side_deg == pytest.approx(-45.0)
    assert abs(key_of(lamp(y_m=7.0), SPOT).side_deg) == pytest.approx(180.0)
    # At the right of the frame, the camera is at the player's right hand: a lamp beside the camera stays at 0.
    aside = SPOT.replace(x_m=3.0)
    assert key_of(lamp(x_m=1.5, y_m=2.0), aside).side_deg == pytest.approx(0.0, abs=1e-9)


def test_a_shadow_is_as_long_as_similar_triangles_say():
    # A lamp at 4 m, two metres before a player of two metres: the shadow ends two metres behind, twice as wide.
    shadow = shadow_of(lamp(height_m=4.0), SPOT, None)
    assert sorted(shadow) == [pytest.approx(each) for each in [(-1.0, 6.0), (-0.5, 4.0), (0.5, 4.0), (1.0, 6.0)]]
    # From a lamp below the head it goes on to the wall.
    walled = shadow_of(lamp(), SPOT, PlannedRoom(left_m=9.0, right_m=9.0, back_m=7.0, height_m=3.0))
    assert max(y for _, y in walled) == pytest.approx(7.0)
    # The lamp's rays pass the player half a metre to either side at two metres: 1.25 m at five.
    assert max(x for x, y in walled if y > 6.99) == pytest.approx(1.25)
    assert shadow_of(lamp(y_m=4.0), SPOT, None) == ()


def test_a_shadow_falls_on_the_spots_that_it_reaches():
    shadow = shadow_of(lamp(height_m=4.0), SPOT, None)
    behind = PlannedSpot(part="bells", x_m=0.0, y_m=5.5, width_m=1.0)
    assert falls_on(shadow, behind)
    assert falls_on(shadow, behind.replace(x_m=1.3))  # its circle reaches in
    assert not falls_on(shadow, behind.replace(x_m=2.0))
    assert not falls_on(shadow, behind.replace(y_m=6.6))
    assert not falls_on((), behind)
