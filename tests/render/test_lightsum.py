"""Adding takes' light: the definition against what light does, the fast path against the definition."""

from __future__ import annotations

import numpy as np
import pytest

from acescct import CURVE
from partsong.errors import InvalidInput
from partsong.film.records import Oval, Pose
from partsong.media.planes import Planes
from partsong.render import lightsum, pixels
from partsong.render.lightpath import LightPath
from partsong.render.lightsum import LightSum, ambient_of, evened, summed
from partsong.render.mattes import LitRoom, enlarged, player_matte, reduced, where_differs
from partsong.render.merge import Form
from partsong.render.plan import Layer, Stack

WIDTH, HEIGHT = 192, 108
FORM = Form(10, "422", "bt709", "limited")


@pytest.fixture
def room():
    """A drawn room in ambient light, and three lamps' light on it: (height, width, 3) each."""
    rng = np.random.default_rng(5)
    albedo = np.full((HEIGHT, WIDTH, 3), 0.3)
    for _ in range(60):
        x, y = rng.integers(0, WIDTH), rng.integers(0, HEIGHT)
        albedo[y : y + rng.integers(4, 30), x : x + rng.integers(4, 30)] = rng.uniform(0.05, 0.6, 3)
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    lamps = [
        albedo * np.exp(-(((x - at) / 45) ** 2) - ((y - 60) / 50) ** 2)[..., None] * np.array([1.0, 0.9, 0.7])
        for at in (40, 96, 150)
    ]
    return albedo * 0.06, lamps


def lit(light, hidden=None, louder=1.0):
    gone = np.zeros(light.shape[:2], np.float32) if hidden is None else hidden
    return LitRoom(np.asarray(light, np.float32), gone, 3e-4 * louder, 1.5e-5 * louder**2)


def body(at):
    """A round player: his soft cover, and a light of a colour that no lamp gives the room."""
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    cover = np.clip((14 - np.hypot(x - at, y - 60)) / 3 + 0.5, 0, 1)
    return cover, np.broadcast_to(np.array([0.1, 0.25, 0.6]), (HEIGHT, WIDTH, 3))


def test_the_sum_of_one_lamp_each_is_the_room_with_all_on(room):
    ambient, lamps = room
    rooms = [ambient + lamp for lamp in lamps]
    nowhere = [np.zeros((HEIGHT, WIDTH))] * 3
    # Light adds: the room with all lamps on is what each adds to the dark. 1e-12: rounding in double precision.
    assert summed(rooms, rooms, ambient, nowhere, None, [1, 1, 1]) == pytest.approx(ambient + sum(lamps), abs=1e-12)


def test_a_players_soft_edge_comes_out_as_with_all_lamps_on(room):
    ambient, lamps = room
    rooms = [ambient + lamp for lamp in lamps]
    cover, colour = body(96)
    mixed = cover[..., None] * colour + (1 - cover)[..., None] * rooms[1]
    lights = [rooms[0], mixed, rooms[2]]
    differs = [np.zeros_like(cover), (cover > 0).astype(float), np.zeros_like(cover)]
    mattes = [np.zeros_like(cover), cover, np.zeros_like(cover)]
    everything = ambient + sum(lamps)
    truth = cover[..., None] * colour + (1 - cover)[..., None] * everything
    assert summed(lights, rooms, ambient, differs, mattes, [1, 1, 1]) == pytest.approx(truth, abs=1e-12)
    plain = summed(lights, rooms, ambient, differs, None, [1, 1, 1])
    assert np.abs(plain - truth).max() > 0.01  # without a matte the others' ground shines through him


def test_grain_goes_over_from_one_take_to_a_louder_one(room):
    ambient, lamps = room
    flat = [np.repeat(lamp.mean(axis=(0, 2))[None, :, None], HEIGHT, axis=0).repeat(3, axis=2) for lamp in lamps[:2]]
    rooms = [lit(ambient.mean() + flat[0]), lit(ambient.mean() + flat[1], louder=2.0)]
    even = evened(rooms, [1, 1])
    border = int(np.flatnonzero(np.diff(np.argmax([one.light[0, :, 0] for one in rooms], axis=0)))[0])
    before, after = even[0, border], even[0, border + 1]
    # Both sides have the mean of variances 1 and 4 there: the quieter take's grain is raised, the louder one's lowered.
    assert before == pytest.approx(np.sqrt(2.5), rel=0.05)
    assert after == pytest.approx(np.sqrt(2.5) / 2, rel=0.05)
    assert evened([rooms[0], lit(rooms[1].light)], [1, 1]) == pytest.approx(1.0)
    noise = np.random.default_rng(2).normal(size=(HEIGHT, WIDTH, 3))
    lights = [one.light + one.grain(one.light) * noise for one in rooms]
    nowhere = [np.zeros((HEIGHT, WIDTH))] * 2
    dark = np.full((HEIGHT, WIDTH, 3), ambient.mean())
    made = summed(lights, [one.light for one in rooms], dark, nowhere, None, [1, 1], even)
    clean = summed([one.light for one in rooms], [one.light for one in rooms], dark, nowhere, None, [1, 1])
    left, right = (
        (made - clean)[:, side].std() for side in (slice(border - 3, border + 1), slice(border + 1, border + 5))
    )
    assert right / left == pytest.approx(1.0, rel=0.15)


def test_a_take_that_is_not_there_yet_gives_no_light(room):
    ambient, lamps = room
    rooms = [ambient + lamp for lamp in lamps]
    nowhere = [np.zeros((HEIGHT, WIDTH))] * 3
    half = summed(rooms, rooms, ambient, nowhere, None, [1, 0.5, 0])
    assert half == pytest.approx(ambient + lamps[0] + lamps[1] / 2, abs=1e-12)


def test_ambient_light_is_the_least_of_all_takes_but_for_players(room):
    ambient, lamps = room
    dark = [lamp * (lamp > 0.02) for lamp in lamps]
    cover, _ = body(96)
    hidden = (cover > 0).astype(np.float32)
    black = np.where(hidden[..., None] > 0, 0.0, ambient + dark[1])
    found = ambient_of([lit(ambient + dark[0]), lit(black, hidden), lit(ambient + dark[2])])
    unlit = np.minimum(np.minimum(dark[0], np.where(hidden[..., None] > 0, 9, dark[1])), dark[2]).max(axis=-1) == 0
    assert unlit.mean() > 0.5
    assert found[unlit] == pytest.approx(ambient[unlit], abs=1e-6)


def filmed(room, method, opacities=(1.0, 0.75, 1.0), louder=1.0):
    """Three takes with a player each, recorded; what adds them, and the path by which it does."""
    ambient, lamps = (np.asarray(room[0], np.float32), room[1])
    path = LightPath(CURVE, FORM, WIDTH, HEIGHT)
    # Lit rooms come out of planes too, so hard edges have the same soft colour in both.
    rooms = [lit(path.light(path.encoded(np.asarray(ambient + lamp, np.float32)))) for lamp in lamps]
    rooms[1] = lit(rooms[1].light, louder=louder)
    ambient = path.light(path.encoded(ambient))
    frames = []
    for number, one in enumerate(rooms):
        cover, colour = body((40, 96, 150)[number])
        frames.append(path.encoded((cover[..., None] * colour + (1 - cover)[..., None] * one.light).astype(np.float32)))
    layers = tuple(Layer(take=f"t{number}", opacity=opacity) for number, opacity in enumerate(opacities))
    stack = Stack(width=WIDTH, height=HEIGHT, method=method, layers=layers)
    return path, frames, rooms, ambient, LightSum(stack, rooms, ambient, CURVE, FORM)


def whole(small, box, factor):
    """A map of a box, enlarged, in a frame that is 0 elsewhere."""
    frame = np.zeros((HEIGHT, WIDTH), np.float32)
    top, bottom, left, right = box
    frame[top:bottom, left:right] = enlarged(small, factor, bottom - top, right - left)
    return frame


@pytest.mark.parametrize("method", ["light-sum", "combined"])
@pytest.mark.parametrize(("factor", "louder"), [(1, 1.0), (3, 1.0), (3, 2.5)])
def test_the_fast_sum_is_the_definition_to_one_code(room, method, factor, louder, monkeypatch):
    monkeypatch.setattr(lightsum, "SEARCHED_WIDTH", WIDTH / factor)
    path, frames, rooms, ambient, adder = filmed(room, method, louder=louder)
    even = evened(rooms, [1, 0.75, 1]) if louder > 1 else None
    found = adder.found(frames)
    made = adder.added(frames, found)
    assert all(one is not None for one in found)
    differs = [whole(one.differs, one.box, factor) for one in found]
    mattes = [whole(one.matte, one.box, factor) for one in found] if method == "combined" else None
    slow = summed(
        [path.light(one) for one in frames], [one.light for one in rooms], ambient, differs, mattes, [1, 0.75, 1], even
    )
    expected = path.encoded(slow.astype(np.float32))
    for plane, other in ((made.y, expected.y), (made.u, expected.u), (made.v, expected.v)):
        assert np.abs(plane.astype(int) - other.astype(int)).max() <= 1
    again = adder.merge(frames, [Pose()] * 3)
    assert (again.y == made.y).all()
    assert adder.shows == (True, True, True)


@pytest.mark.parametrize("factor", [1, 3])
def test_looking_only_where_something_differs_loses_less_than_grain(room, factor, monkeypatch):
    monkeypatch.setattr(lightsum, "SEARCHED_WIDTH", WIDTH / factor)
    path, frames, rooms, ambient, adder = filmed(room, "combined")
    lights = [path.light(one) for one in frames]
    seen = [(reduced(light, factor), one.smaller(factor)) for light, one in zip(lights, rooms, strict=True)]
    differs = [enlarged(where_differs(*one), factor, HEIGHT, WIDTH) for one in seen]
    dark = reduced(ambient, factor)
    mattes = [enlarged(player_matte(*one, dark, WIDTH // factor), factor, HEIGHT, WIDTH) for one in seen]
    slow = summed(lights, [one.light for one in rooms], ambient, differs, mattes, [1, 0.75, 1])
    fast = path.light(adder.merge(frames, [Pose()] * 3))
    error = np.abs(fast - path.light(path.encoded(slow.astype(np.float32)))).max(axis=-1)
    grain = rooms[0].grain(slow.mean(axis=-1))
    # What the quick look leaves out lies at the faintest part of an edge, where it is within the grain.
    assert np.percentile(error / grain, 99) < 0.1
    assert (error / grain).max() < 4


@pytest.mark.parametrize(
    ("method", "form"),
    [("combined", Form(8, "420", "bt709", "limited")), ("combined", Form(10, "444", "bt709", "full"))],
)
def test_other_forms_and_odd_sizes_are_added_too(method, form):
    width, height = 101, 67
    path = LightPath(CURVE, form, width, height)
    y, x = np.mgrid[0:height, 0:width]
    ambient = np.full((height, width, 3), 0.05, np.float32)
    light = (ambient + np.exp(-((x - 50) ** 2 + (y - 30) ** 2) / 900)[..., None] * 0.5).astype(np.float32)
    frame = light.copy()
    frame[height - 20 :, width - 30 :] = (0.1, 0.3, 0.7)
    rooms = [lit(path.light(path.encoded(light)))]
    stack = Stack(width=width, height=height, method=method, layers=(Layer(take="a", gain=(1.0, 1.0, 1.0)),))
    made = LightSum(stack, rooms, path.light(path.encoded(ambient)), CURVE, form).merge([path.encoded(frame)], [Pose()])
    # One take alone is itself: the sum takes away what it adds. A code is the tables' own rounding.
    assert np.abs(made.y.astype(int) - path.encoded(frame).y.astype(int)).max() <= 1


def test_planes_come_back_from_light(room):
    ambient, lamps = room
    path = LightPath(CURVE, FORM, WIDTH, HEIGHT)
    first = path.encoded((ambient + sum(lamps)).astype(np.float32))
    again = path.encoded(path.light(first))
    # Colour samples are averages, so a second pass moves luma by what two neighbours differ; a code is the tables' own.
    assert np.abs(first.y.astype(int) - again.y).max() <= 1
    reference = pixels.to_linear(pixels.codes_to_encoded(pixels.full_size(first), 10, "bt709", "limited"), CURVE)
    # The decoding table has steps of 1/8192 of the code range: 0.15 % of light, rounded to the nearest.
    assert path.light(first) == pytest.approx(reference, rel=1e-3, abs=1e-5)


def test_patches_lie_over_the_sum(room):
    ambient, lamps = (np.asarray(room[0], np.float32), room[1])
    rooms = [lit(ambient + lamp) for lamp in lamps[:2]]
    path = LightPath(CURVE, FORM, WIDTH, HEIGHT)
    frames = [path.encoded(one.light) for one in rooms]
    other = path.encoded(np.full((HEIGHT, WIDTH, 3), 0.5, np.float32))
    oval = Oval(x=96, y=54, rx=20, ry=20)
    layers = (Layer(take="a"), Layer(take="b"), Layer(take="c", shape=oval))
    adder = LightSum(Stack(width=WIDTH, height=HEIGHT, method="light-sum", layers=layers), rooms, ambient, CURVE, FORM)
    made = adder.merge([*frames, other], [Pose()] * 3)
    assert (made.y[50:58, 90:102] == other.y[50:58, 90:102]).all()
    bare = LightSum(
        Stack(width=WIDTH, height=HEIGHT, method="light-sum", layers=layers[:2]), rooms, ambient, CURVE, FORM
    ).merge(frames, [Pose()] * 2)
    assert (made.y[:, :60] == bare.y[:, :60]).all()


def test_bad_input_is_refused(room):
    ambient, lamps = (np.asarray(room[0], np.float32), room[1])
    stack = Stack(width=WIDTH, height=HEIGHT, method="light-sum", layers=(Layer(take="a"),))
    with pytest.raises(InvalidInput, match="needs its lit room"):
        LightSum(stack, [], ambient, CURVE, FORM)
    adder = LightSum(stack, [lit(ambient + lamps[0])], ambient, CURVE, FORM)
    with pytest.raises(InvalidInput, match="has no frame"):
        adder.merge([None], [Pose()])
    small = Planes(
        np.zeros((8, 8), np.uint16), np.zeros((8, 4), np.uint16), np.zeros((8, 4), np.uint16), 10, "bt709", "limited"
    )
    with pytest.raises(InvalidInput, match="one form"):
        adder.merge([small], [Pose()])
