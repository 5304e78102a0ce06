"""Matching, adding light and patching, from files to the merged wide."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

import acescct
from partsong.engine.local import Local
from partsong.errors import InvalidInput
from partsong.film.coverage import song_frames
from partsong.film.records import Oval, Patch, Plate, Pose, PoseKey, Registration
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.picture import open_picture
from partsong.media.probe import probe
from partsong.render import atlas, pixels
from partsong.render.lightpath import LightPath
from partsong.render.plan import plan_frames
from partsong.render.wide import encoding_of, form_of, segment_key, wide_key
from partsong.stage.light_steps import (
    Card,
    add_patch,
    described,
    match_takes,
    remove_patch,
    set_match,
    set_method,
    sum_warnings,
)
from partsong.stage.paint import WidePainter, small_wide
from partsong.stage.steps import set_order
from partsong.watch import silent

FRAMES = 40
OVAL = Oval(x=120, y=40, rx=14, ry=12)


class Lit:
    """A room with a lamp of its own per take; the first frames may be in ambient light, exposed otherwise."""

    def __init__(self, small, x, *, player=True, lamp=True, head=0, gain=(1.0, 1.0, 1.0)):
        self.width, self.height = small.width, small.height
        self.x, self.player, self.lamp, self.head, self.gain = x, player, lamp, head, np.array(gain)
        self.frames, self.rate = FRAMES, None

    def room(self):
        rng = np.random.default_rng(8)
        albedo = np.full((self.height, self.width, 3), 0.2)
        for _ in range(50):
            x, y, w, h = (int(v) for v in rng.integers(4, [self.width, self.height, 50, 40]))
            albedo[y : y + h, x : x + w] = rng.uniform(0.05, 0.5, 3)
        return albedo

    def light(self, frame):
        x, y = np.meshgrid(np.arange(self.width), np.arange(self.height))
        spot = np.exp(-(((x - self.x) / 24) ** 2) - ((y - 80) / 36) ** 2) if self.lamp and frame >= self.head else 0 * x
        fall = 0.12 + spot[..., None] * np.array([1.0, 0.9, 0.75])
        light = self.room() * fall
        if self.player:
            sway = self.x + 7 * np.sin(frame * 0.9)
            cover = np.clip(1.5 - np.hypot((x - sway) / 9, (y - 82) / 24), 0, 1)[..., None]
            light = light + cover * (np.array([0.1, 0.2, 0.5]) * fall - light)
        return cv2.GaussianBlur(light, (0, 0), 0.7) * self.gain

    def write(self, path):
        rng = np.random.default_rng(int(self.x))
        path.parent.mkdir(parents=True, exist_ok=True)
        with PictureWriter(
            path, RECIPES["camera"], width=self.width, height=self.height, rate=self.rate,
            primaries="unknown", transfer="unknown", threads=1,
        ) as writer:  # fmt: skip
            for frame in range(self.frames):
                encoded = acescct.from_linear(self.light(frame)) + rng.normal(0, 0.002, (self.height, self.width, 1))
                codes = pixels.encoded_to_codes(encoded, 10, "bt709", "limited")
                writer.write(pixels.to_planes(codes, "422", 10, "bt709", "limited"))
        return path


@pytest.fixture(scope="module")
def film(small, tmp_path_factory):
    """Return a store of two takes whose lamps do not meet, with plates; the second is underexposed and too warm."""
    from partsong.timebase import Rate

    root = tmp_path_factory.mktemp("light")
    clips = {"cello": Lit(small, 60, head=16), "oboe": Lit(small, 180, head=16, gain=(0.6, 0.5, 0.45))}
    for clip in clips.values():
        clip.rate = Rate(num=25)
    store = small.made_film(root, clips, {})
    plates = []
    for name, plate in (
        ("plate-1", Lit(small, 60, player=False, lamp=False)),
        ("plate-2", Lit(small, 60, player=False)),
    ):
        plate.rate = Rate(num=25)
        path = plate.write(root / "clips" / f"{name}.mov")
        part = "cello" if name == "plate-2" else None
        plates.append(Plate(id=name, clip=probe(path, store.folder.refer(path)), part=part))
    store.change("Added plates", lambda film: film.replace(plates=tuple(plates)))
    set_order(store, ["cello", "oboe"])
    yield store
    store.close()


def drawn(store, frame):
    """Return the scene-linear light of a frame of the wide."""
    film = store.head().film
    painter = WidePainter(store.folder, film, encoding_of(film), form_of(film))
    planes = next(painter.frames(plan_frames(film, range(frame, frame + 1))))
    return LightPath(painter.encoding.curve, painter.form, film.width, film.height).light(planes)


def test_a_take_is_matched_by_its_ambient_head(film):
    head = match_takes(film, silent())
    match = head.film.stage.match_of("oboe")
    truth = 1 / np.array([0.6, 0.5, 0.45])
    assert match.known
    # The targets: 0.05 stop and one per cent of chromaticity.
    assert abs(np.log2(match.gain[1] / truth[1])) < 0.05
    assert np.array(match.gain) / match.gain[1] == pytest.approx(truth / truth[1], rel=0.01)
    assert "ambient head" in match.sentence
    assert "the reference" in head.film.stage.match_of("cello").sentence


def test_what_is_set_by_hand_stays(film):
    set_match(film, "oboe", 1.0, (1.0, 1.0))
    kept = match_takes(film, silent()).film.stage.match_of("oboe")
    assert kept.by_hand
    assert kept.gain == (2.0, 2.0, 2.0)
    film.change("Forgot it", lambda newest: newest.replace(stage=newest.stage.replace(matches=())))
    assert match_takes(film, silent()).film.stage.match_of("oboe").gain[1] == pytest.approx(2, rel=0.04)


def test_without_a_head_it_cannot_be_told(film):
    head = match_takes(film, silent(), head_s=0.0)
    match = head.film.stage.match_of("oboe")
    assert not match.known
    assert match.gain == (1.0, 1.0, 1.0)
    assert "cannot be told" in match.sentence


def test_a_card_outside_the_frame_is_refused(film):
    with pytest.raises(InvalidInput, match="outside the frame"):
        match_takes(film, silent(), card=Card(9000, 10, 20, 20, 0.0))


def test_added_light_is_the_room_with_both_lamps_on(film, small):
    match_takes(film, silent())
    set_method(film, "light-sum")
    before = wide_key(film.head().film)
    set_method(film, "combined")
    newest = film.head().film
    assert wide_key(newest) != before
    said = sum_warnings(film, silent())
    assert any("oboe" in sentence and "guessed" in sentence for sentence in said)
    made = drawn(film, 24)
    one, two = (Lit(small, x, lamp=True).light(24) for x in (60, 180))
    dark = Lit(small, 60, player=False, lamp=False).light(0)
    truth = one + two - dark
    seen, wanted = (acescct.from_linear(light) for light in (made, truth))
    # Both lamps are on, and nothing is off by more than a few codes of ten bits but at the guessed player's edge.
    assert np.percentile(np.abs(seen - wanted), 99) < 0.02
    assert np.abs(np.log2(made[60:100, 150:165].mean() / truth[60:100, 150:165].mean())) < 0.05
    assert made[60:100, 200:215].mean() > 3 * dark[60:100, 200:215].mean()


def test_added_light_has_a_small_picture_of_its_own_beside_the_takes(film, small, monkeypatch):
    """The wide's tile, half the film's size here, is the wide made small: also of a take that is moved on its way."""
    moved = Registration(take="oboe", keys=(PoseKey(frame=0, pose=Pose(dx_px=12, dy_px=-8)),))
    before = film.head().film
    monkeypatch.setattr(atlas, "WIDTH_PX", small.width)
    monkeypatch.setattr(atlas, "HEIGHT_PX", small.height)
    set_method(film, "combined")
    assert atlas.layout_of(before.replace(stage=before.stage.replace(method="masks"))).tiles[-1].take == "oboe"
    newest = film.change("Moved", lambda one: one.replace(stage=one.stage.replace(registrations=(moved,)))).film
    painted = small_wide(film.folder, encoding_of(newest))
    path = atlas.make_atlas(film.folder, newest, silent(), Local(1), painted)
    tile = atlas.layout_of(newest).tiles[-1]
    assert (tile.take, tile.width, tile.first, tile.stop) == ("wide", small.width // 2, 0, song_frames(newest))
    with open_picture(path, probe(path, film.folder.refer(path)).picture) as reader:
        planes = next(iter(reader.read([24])))
    x, y = slice(tile.x, tile.x + tile.width), slice(tile.y, tile.y + tile.height)
    seen = (planes.y[y, x].astype(float) - 16) / 219
    set_method(film, "light-sum")
    off = {}
    for name, registrations in (("moved", (moved,)), ("where it was filmed", ())):
        film.change(name, lambda one: one.replace(stage=one.stage.replace(registrations=registrations)))  # noqa: B023
        light = cv2.resize(drawn(film, 24), (tile.width, tile.height), interpolation=cv2.INTER_AREA)
        luma = acescct.from_linear(light) @ (0.2126, 0.7152, 0.0722)  # Rec. ITU-R BT.709-6
        off[name] = np.abs(luma - seen)[2:-2, 2:-2]
    print(off["moved"].mean(), np.percentile(off["moved"], 99), off["where it was filmed"].mean())
    assert off["moved"].mean() < 0.01
    assert off["where it was filmed"].mean() > 2 * off["moved"].mean()
    # A patch lies over it in the preview, and does not make it anew; neither does it matter who lies over whom.
    again = newest.replace(stage=newest.stage.replace(patches=(Patch(source="cello", shape=OVAL, feather_px=4),)))
    for one in (again, newest.replace(stage=newest.stage.replace(method="light-sum"))):
        assert atlas.atlas_path(film.folder, one) == path
    film.change("As before", lambda one: one.replace(stage=before.stage))


def test_segments_of_another_method_have_another_key(film):
    newest = film.head().film
    keys = set()
    for method in ("masks", "light-sum", "combined"):
        tried = newest.replace(stage=newest.stage.replace(method=method, order=("cello",)))
        keys.add(segment_key(tried, encoding_of(tried), plan_frames(tried, range(3))))
    assert len(keys) == 3


def test_an_ambient_plate_that_does_not_fit_is_named(film):
    newest = film.head().film
    set_method(film, "combined")
    lit = newest.plates[0].replace(id="plate-3", clip=film.head().film.take("cello").clip)
    film.change("Took a take for an ambient plate", lambda f: f.replace(plates=(lit, newest.plates[1])))
    try:
        said = sum_warnings(film, silent())
    finally:
        film.change("Put it back", lambda f: f.replace(plates=newest.plates))
    assert not any("ambient plate is" in sentence for sentence in sum_warnings(film, silent()))
    assert any("ambient plate is" in sentence and "brighter" in sentence for sentence in said)


def test_a_patch_is_matched_laid_over_and_taken_away(film):
    set_method(film, "light-sum")
    clean = drawn(film, 24)
    head = add_patch(film, "plate-1", OVAL, feather_px=6, start_s=0.4)
    (patch,) = head.film.stage.patches
    assert patch.start == 10
    # Here no lamp reaches, so the plate needs nearly no gain.
    assert patch.gain == pytest.approx((1, 1, 1), abs=0.12)
    (row,) = described(head.film.stage, head.film.plates)
    assert row[1] == "plate plate-1"
    plans = plan_frames(head.film, range(9, 11))
    assert [len(plan.stack.layers) for plan in plans] == [2, 3]
    patched = drawn(film, 24)
    away = np.ones(clean.shape[:2], bool)
    away[20:60, 95:145] = False
    assert (patched[away] == clean[away]).all()
    assert not np.array_equal(patched[34:46, 112:128], clean[34:46, 112:128])
    assert patched[34:46, 112:128].mean() == pytest.approx(clean[34:46, 112:128].mean(), rel=0.05)
    film.undo()
    assert film.head().film.stage.patches == ()
    add_patch(film, "plate-1", OVAL, gain=(1.0, 1.0, 1.0))
    remove_patch(film, 1)
    assert film.head().film.stage.patches == ()


def test_bad_input_is_refused(film):
    with pytest.raises(InvalidInput, match="no take or plate 'nowhere'"):
        add_patch(film, "nowhere", OVAL)
    with pytest.raises(InvalidInput, match="later --to"):
        add_patch(film, "plate-1", OVAL, start_s=1.0, end_s=0.5)
    with pytest.raises(InvalidInput, match="no patch 7"):
        remove_patch(film, 7)
    with pytest.raises(InvalidInput, match="no way to merge"):
        set_method(film, "maximum")
    with pytest.raises(InvalidInput, match="above 0"):
        set_match(film, "oboe", 0.0, (0.0, 1.0))
    assert film.head().film.stage.patches == ()
