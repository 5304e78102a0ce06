"""What a plan comes to in sentences, its pictures, and how it is changed in a film."""

import re
import xml.etree.ElementTree as ET

import pytest

from partsong.errors import InvalidInput, NoSuchRecord
from partsong.film.records import Film, Part, Plan, PlannedCamera, PlannedLamp, PlannedRoom, PlannedSpot
from partsong.film.store import FilmStore
from partsong.prepare import drawing, planned, steps

# 18 of 36 mm: the frame is twice as wide as a place is far; focused so that all beyond 1.9 m is sharp.
CAMERA = PlannedCamera(focal_mm=18.0, sensor_mm=36.0, height_m=1.4, focus_m=4.0, f_number=4.0)
ROOM = PlannedRoom(left_m=4.0, right_m=4.0, back_m=7.0, height_m=3.0)


def spot(part, x, y, **more):
    return PlannedSpot.of(part=part, x_m=x, y_m=y, **more)


def lamp(part, x, y, **more):
    return PlannedLamp.of(**{"id": f"key-{part}", "part": part, "x_m": x, "y_m": y, "candela": 2000.0, **more})


@pytest.fixture
def film():
    parts = (Part(id="bass", name="Bass"), Part(id="bells", name="Bells & Bows"), Part(id="oboe", name="Oboe"))
    spots = (spot("bass", -1.5, 4.0), spot("bells", 0.2, 4.5), spot("oboe", 1.6, 4.0))
    lamps = (lamp("bass", -5.0, 2.2), lamp("oboe", 5.0, 2.2))
    return Film(name="Plan", parts=parts, plan=Plan(camera=CAMERA, spots=spots, lamps=lamps))


def with_plan(film, **changes):
    return film.replace(plan=film.plan.replace(**changes))


def decisions(said):
    return [one.sentence for one in said if one.decide]


def test_a_good_plan_needs_no_decision_about_its_frame(film):
    assert decisions(planned.said_of_frame(film)) == []
    assert any("sharp from" in one.sentence for one in planned.said_of_frame(film))


@pytest.mark.parametrize(
    ("part", "x", "y", "more", "sentence"),
    [
        ("bass", -3.9, 4.0, {}, "Bass reaches over the left edge of the frame"),
        ("oboe", 1.6, 1.95, {"height_m": 2.5}, "Oboe reaches over the right, top and bottom edges"),
        ("oboe", 0.9, 3.2, {}, "Oboe stands before"),
        ("bells", 0.2, 1.5, {"height_m": 1.0}, "Not sharp: Bells & Bows."),
        ("bells", 0.2, 0.05, {}, "would stand before the lens"),
        ("oboe", 1.6, 7.5, {}, "Oboe would not fit into the room"),
    ],
)
def test_what_does_not_work_in_the_frame_is_said(film, part, x, y, more, sentence):
    others = tuple(one for one in film.plan.spots if one.part != part)
    changed = with_plan(film, spots=(*others, spot(part, x, y, **more)), room=ROOM)
    found = decisions(planned.said_of_frame(changed))
    assert any(sentence in one for one in found), found


def test_moving_aside_by_what_is_said_parts_them(film):
    spots = [spot("bass", -1.5, 4.0), spot("bells", 0.2, 4.5), spot("oboe", 0.9, 3.2)]
    (said,) = (one for one in decisions(planned.said_of_frame(with_plan(film, spots=tuple(spots)))) if "before" in one)
    aside = float(re.search(r"([\d.]+) m further aside", said)[1])
    spots[2] = spot("oboe", 0.9 + aside + 0.01, 3.2)
    assert not any("before" in one for one in decisions(planned.said_of_frame(with_plan(film, spots=tuple(spots)))))


def test_a_lamp_in_the_picture_is_told_with_its_ways_out(film):
    seen = planned.view(film)
    hung = lamp("bass", -2.0, 3.0, height_m=2.6, hangs=True)
    assert planned.in_picture(seen, hung)
    (said,) = (one for one in decisions(planned.said_of_light(with_plan(film, lamps=(hung,)))) if "hangs" in one)
    aside, higher = re.search(r"; ([\d.]+) m further to the left or ([\d.]+) m higher", said).groups()
    assert not planned.in_picture(seen, hung.replace(x_m=-2.0 - float(aside) - 0.01))
    assert not planned.in_picture(seen, hung.replace(height_m=2.6 + float(higher)))
    # A stand is seen below the lamp, whatever the lamp's own height.
    assert planned.in_picture(seen, hung.replace(height_m=6.0, hangs=False))
    assert not planned.in_picture(seen, hung.replace(height_m=6.0))


def test_light_exposure_and_seams_are_told(film):
    said = [one.sentence for one in planned.said_of_light(film)]
    assert any(re.match(r"Bass, lamp key-bass: \d+° to the left of the camera", one) for one in said)
    assert any(re.match(r"Oboe: \d+ lx for a dome, f/[\d.]+ at ISO 800 and 1/50 s; f/4 is", one) for one in said)
    (seam,) = (one for one in said if one.startswith("Between"))  # Bells & Bows have no lamp: nothing is said of them
    assert seam.startswith("Between Bass and Oboe their takes' light on the floor differs by")
    # Four times the light in one of two takes is two stops more between them.
    brighter = with_plan(film, lamps=(lamp("bass", -5.0, 2.2, candela=8000.0), film.plan.lamps[1]))
    stops = [
        float(re.search(r"differs by ([\d.]+)", one.sentence)[1])
        for each in (film, brighter)
        for one in planned.said_of_light(each)
        if "differs" in one.sentence
    ]
    assert stops[0] < 0.3  # nearly a mirror of each other
    assert stops[1] == pytest.approx(2.0, abs=0.3)


def test_light_from_behind_alone_is_told(film):
    behind = with_plan(film, lamps=(lamp("bass", -2.25, 6.0, height_m=1.26),))
    assert "Bass: no light reaches the side that the camera sees." in decisions(planned.said_of_light(behind))
    assert planned.player_lux(with_plan(behind, ambient_lux=30.0), film.plan.spots[0]) == pytest.approx(30.0)


def test_a_shadow_on_anothers_place_is_told(film):
    low = lamp("bass", -3.5, 3.4, height_m=1.5)
    said = [one.sentence for one in planned.said_of_light(with_plan(film, lamps=(low,)))]
    assert any("The shadow that it gives Bass falls on the place of Bells & Bows" in one for one in said)


def test_lamps_of_one_part_are_added_up_and_those_of_two_are_not(film):
    lamps = (
        lamp("bass", -5, 2, watts=300.0),
        lamp("bass", -4, 2, id="fill", watts=200.0),
        lamp("oboe", 5, 2, watts=400.0),
    )
    assert planned.most_watts(with_plan(film, lamps=lamps)) == 500
    assert planned.most_watts(film.replace(plan=Plan())) == 0


def test_pictures_are_well_formed_and_hold_what_can_be_moved(film):
    changed = with_plan(film, room=ROOM, lamps=(*film.plan.lamps, lamp("bells", 0.0, 2.0, hangs=True, height_m=2.0)))
    above, frame = (ET.fromstring(each) for each in (drawing.from_above(changed), drawing.as_filmed(changed)))
    assert [one.get("data-spot") for one in above.iter() if one.get("data-spot")] == ["bass", "bells", "oboe"]
    assert len([one for one in above.iter() if one.get("data-lamp")]) == 3
    assert "Bells & Bows" in [one.text for one in frame.iter() if one.tag.endswith("text")]
    assert "key-bells" in [one.text for one in frame.iter() if one.tag.endswith("text")]  # it hangs in the picture
    # A spot is drawn where the root's numbers say.
    scale, x, y = (float(above.get(f"data-{name}")) for name in ("scale", "x", "y"))
    dot = next(one for one in above.iter() if one.get("data-spot") == "oboe").find("*[@class='spot']")
    assert (float(dot.get("cx")), float(dot.get("cy"))) == pytest.approx((x + 1.6 * scale, y - 4.0 * scale), abs=0.06)
    # In the frame the oboe's box lies where the lens sees it: 8 m across at 4 m.
    boxes = [one for one in frame.iter() if one.tag.endswith("rect") and one.get("stroke-dasharray")]
    wide = {round(float(one.get("x"))) for one in boxes}
    assert round((0.5 + 1.0 / 8) * drawing.USUAL_WIDTH) in wide
    # Nothing planned yet is a picture too.
    ET.fromstring(drawing.from_above(film.replace(plan=Plan())))


@pytest.fixture
def store(tmp_path, film):
    with FilmStore.create(tmp_path / "film", film.replace(plan=Plan()), "Made it") as made:
        yield made


def test_a_plan_is_changed_by_steps_and_undone(store):
    steps.set_camera(store, focal_mm=20, height_m=1.6)
    steps.set_room(store, ROOM, ambient_lux=40)
    steps.set_spot(store, "oboe", x_m=1, y_m=4)
    steps.set_spot(store, "bass", x_m=-1, y_m=4, width_m=0.9)
    steps.set_lamp(store, "key", "oboe", x_m=2.5, y_m=2, candela=5000)
    head = steps.set_lamp(store, "key", height_m=2.0)
    assert head.revision.sentence == "Planned the lamp key"
    plan = head.film.plan
    assert (plan.camera.focal_mm, plan.camera.height_m, plan.camera.iso) == (20, 1.6, 800)
    assert (plan.room, plan.ambient_lux) == (ROOM, 40)
    assert [one.part for one in plan.spots] == ["bass", "oboe"]  # in score order
    (key,) = plan.lamps
    assert (key.x_m, key.height_m, key.candela) == (2.5, 2.0, 5000)
    assert steps.set_room(store, None).film.plan.ambient_lux == 40
    assert steps.drop_spot(store, "oboe").film.plan.lamps == ()
    assert store.undo().film.plan.lamps == (key,)
    assert steps.drop_lamp(store, "key").film.plan.lamps == ()


@pytest.mark.parametrize(
    ("change", "problem", "sentence"),
    [
        (lambda store: steps.set_spot(store, "tuba", x_m=1, y_m=2), NoSuchRecord, "tuba"),
        (lambda store: steps.set_spot(store, "oboe", x_m=1), InvalidInput, "Oboe has no spot yet"),
        (lambda store: steps.set_spot(store, "oboe", x_m=1, y_m=-2), InvalidInput, "y_m: "),
        (lambda store: steps.drop_spot(store, "oboe"), InvalidInput, "Oboe has no spot in the plan"),
        (lambda store: steps.set_lamp(store, "key", "oboe", x_m=1, y_m=1), InvalidInput, "Plan its spot first"),
        (lambda store: steps.set_lamp(store, "key", x_m=1, y_m=1), InvalidInput, "key is no lamp yet"),
        (lambda store: steps.set_lamp(store, "Key 1", "oboe", x_m=1, y_m=1), InvalidInput, "'Key 1' names no lamp"),
        (lambda store: steps.drop_lamp(store, "key"), InvalidInput, "no lamp 'key'"),
        (lambda store: steps.set_camera(store, focal_mm=0), InvalidInput, "focal_mm: "),
    ],
)
def test_what_cannot_be_planned_is_refused(store, change, problem, sentence):
    before = store.head().revision
    with pytest.raises(problem, match=re.escape(sentence)):
        change(store)
    assert store.head().revision == before
