"""The seam report: every number computed again from the pictures beside it."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.film.store import FilmStore
from partsong.stage.crossings import Crossing
from partsong.stage.report import Seam, SeamLook, SeamReport, page, sentence
from partsong.stage.seam_steps import draw_crossings, in_words, mends, report
from partsong.stage.seen import Displaced, SeamMeasure, measure_seam
from partsong.stage.steps import propose
from partsong.watch import silent

MEASURE = SeamMeasure(2.1, 0.5, 4.2, 1.1, 30.0, 40.0, 0.001, Displaced(0.1, 2.0, 5, 6), (1.0, 1.1))


@pytest.fixture(scope="module")
def reported(small, tmp_path_factory):
    root = tmp_path_factory.mktemp("reported")
    clips = {name: small.Painted(x) for name, x in small.players.items()}
    with small.made_film(root, clips, {}, song_s=1.2) as store:
        propose(store, silent())
        path, found = report(store, silent(), moments=2)
    return root, path, found


def read(path):
    picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert picture.dtype == np.uint16
    return picture[..., ::-1].astype(np.float64) / 65535


def test_every_number_follows_from_the_pictures(reported):
    _, path, found = reported
    told = json.loads((path.parent / "seams.json").read_text())
    looks = [(seam, look) for seam in told["seams"] for look in seam["looks"]]
    assert len(looks) == sum(len(seam.looks) for seam in found.seams) >= 2
    for seam, look in looks:
        one, other, weights = (read(path.parent / look[f"{what}_picture"]) for what in ("one", "other", "weights"))
        again = measure_seam(
            one, other, (weights[..., 0], weights[..., 1]),
            feather_px=seam["feather_px"], picture_height_px=told["picture"]["height"],
        )  # fmt: skip
        for name in ("step_percent", "least_percent", "times", "mean_percent", "x", "y", "colour_uv"):
            # The same float64 arithmetic on the same numbers; JSON keeps all digits.
            assert getattr(again, name) == pytest.approx(look["measure"][name], rel=1e-9, abs=1e-12)
        assert list(again.grain_codes) == pytest.approx(look["measure"]["grain_codes"], rel=1e-9)
        assert (again.displaced is None) == (look["measure"]["displaced"] is None)


def test_the_step_can_be_computed_with_nothing_but_the_pictures_and_the_standard(reported):
    _, path, found = reported
    seam = found.seams[0]
    look = seam.worst
    one, other, weights = (
        read(path.parent / name) for name in (look.one_picture, look.other_picture, look.weights_picture)
    )
    tile = max(24, round(seam.feather_px))
    rows, columns = (
        slice(int(at) // tile * tile, int(at) // tile * tile + tile) for at in (look.measure.y, look.measure.x)
    )
    share = (weights[..., 0] * weights[..., 1])[rows, columns]
    # BT.1886: L = a * (V + b) ** 2.4 with black 0.05 and white 100 cd/m2; BT.709's weights.
    low, high = 0.05 ** (1 / 2.4), 100 ** (1 / 2.4)
    light = [
        (((high - low) * picture[rows, columns] + low) ** 2.4 @ [0.2126, 0.7152, 0.0722] * share).sum() / share.sum()
        for picture in (one, other)
    ]
    assert look.measure.step_percent == pytest.approx(200 * (light[0] - light[1]) / (light[0] + light[1]), rel=1e-6)


def test_seams_are_ranked_and_their_pictures_are_there(reported):
    _, path, found = reported
    order = ("plainly", "light ends", "just", "not")
    ranks = [[(order.index(look.measure.shows), -look.measure.times) for look in seam.looks] for seam in found.seams]
    assert all(looks == sorted(looks) for looks in ranks)
    assert [looks[0] for looks in ranks] == sorted(looks[0] for looks in ranks)
    text = path.read_text()
    for seam in found.seams:
        assert found.sentence(seam, seam.worst) in text
        assert seam.worst.one_picture in text
    heat = cv2.imread(str(path.parent / "heat.png"))
    assert heat.shape[:2] == (found.height, found.width)
    red = heat[..., 2].astype(int) - heat[..., 1] > 20
    assert red.any()


def test_a_second_report_leaves_no_old_pictures(reported):
    root, path, _ = reported
    with FilmStore.open(root / "film") as store:
        _, found = report(store, silent(), moments=1)
    kept = {entry.name for entry in path.parent.glob("*.png")}
    looks = [look for seam in found.seams for look in seam.looks]
    assert kept == {"heat.png"} | {
        name for look in looks for name in (look.one_picture, look.other_picture, look.weights_picture)
    }


def test_a_sentence_says_where_how_much_and_what():
    said = sentence(("harmonium", "bass"), "bar 17", MEASURE, 2.0)
    assert said == "between harmonium and bass at bar 17: plainly seen, a step of 2.1 %, something 4 px lower in bass"


def test_a_step_of_a_stop_or_more_is_said_as_a_ratio():
    # 200 (a - b) / (a + b) with b three times a is -100 per cent.
    dark = SeamMeasure(-100.0, 0.5, 200.0, 80.0, 30.0, 40.0, 0.001, None, (1.0, 1.1))
    said = sentence(("harmonium", "bass"), "bar 17", dark, 1.0)
    assert "light ends there, bass is 3.0 times as bright; look whether it reads as the end of its pool" in said
    lone = SeamMeasure(200.0, 0.5, 400.0, 80.0, 30.0, 40.0, 0.001, None, (1.0, 1.1))
    assert "harmonium is over 100 times as bright" in sentence(("harmonium", "bass"), "bar 17", lone, 1.0)


def test_where_light_ends_is_no_plain_fault_and_what_hardly_shows_is_neither():
    def seam(step, times):
        look = SeamLook(0, "bar 1", 0, 0, SeamMeasure(step, 0.5, times, 0.1, 0, 0, 0.0, None, (1, 1)), "a", "b", "c")
        return Seam("a-1", "b-1", ("a", "b"), 20.0, (look,))

    seams = (seam(20.0, 9.0), seam(150.0, 90.0), seam(-66.0, 90.0), seam(1.0, 2.0), seam(90.0, 0.9))
    assert [one.worst.measure.shows for one in seams] == ["plainly", "light ends", "plainly", "just", "not"]
    whole = SeamReport("Waltz", "plainly", 96, 54, 1.0, "heat.png", "Bar 1", seams)
    assert whole.verdict == (
        "Of 5 seams: 2 over a plain difference, 1 where one take's light ends and 1 over a difference that is found by "
        "who looks for it."
    )
    assert page(whole).count('class="plain"') == 2


def test_what_is_not_seen_is_said_to_be_so():
    look = SeamLook(0, "bar 1", 0, 0, SeamMeasure(0.1, 0.5, 0.2, 0.1, 0, 0, 0.0, None, (1, 1)), "a", "b", "c")
    seam = Seam("a-1", "b-1", ("a", "b"), 20.0, (look,))
    whole = SeamReport("Waltz <1>", "plainly", 96, 54, 1.0, "heat.png", "Bar 1", (seam,))
    assert whole.verdict == "None of 1 seam lies over a difference that is seen, by the model below."
    assert "not seen, a step of 0.1 %" in whole.sentence(seam, look)
    assert "Waltz &lt;1&gt;" in page(whole)


def test_a_film_that_adds_light_has_no_seams(reported):
    root, _, _ = reported
    with FilmStore.open(root / "film") as store:
        store.change("Add light", lambda film: film.replace(stage=film.stage.replace(method="light-sum")))
        with pytest.raises(InvalidInput, match="no masks whose edges"):
            report(store, silent())
        store.undo()


def test_a_crossing_is_drawn_and_said(reported):
    root, _, _ = reported
    with FilmStore.open(root / "film") as store:
        name = store.head().film.stage.order[-1]
        crossing = Crossing(name, 5, 12, 8, 0.0123, (0.2, 0.3, 0.5, 0.6), (store.head().film.stage.order[0],))
        (path,) = draw_crossings(store, [crossing], silent())
        film, proposed = mends(store, [crossing], silent())
        said = in_words(store.head().film, proposed[0])
    picture = cv2.imread(str(path))
    assert picture.shape[:2] == (136, 240)
    assert said.startswith(f"00:00.20 to 00:00.48 (00:00.32): {name} crosses into")
    assert "1.23 % of the frame" in said
    assert film.stage.mask_of(name).keys
