"""The look through the store and the commands: what is set, told, measured and refused."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from partsong.cli.look import app
from partsong.errors import InvalidInput
from partsong.film.records import (
    Cdl,
    Clip,
    Film,
    Look,
    MediaFile,
    Part,
    PictureInfo,
    Placement,
    Song,
    SoundInfo,
    Stage,
    Take,
)
from partsong.film.store import FilmStore
from partsong.look import showing, steps
from partsong.look.settings import CdlWish, Wish
from partsong.render import colour
from partsong.render.cube import Cube, write_cube
from partsong.timebase import Rate, Time

DISPLAY, VIEW = "Rec.1886 Rec.709 - Display", "ACES 1.0 - SDR Video"
BASIC = Wish(input_space="ACEScct", display=DISPLAY, view=VIEW)


def clip(name: str, transfer: str = "unknown") -> Clip:
    return Clip(
        file=MediaFile(path=name, size_bytes=1, fingerprint="0" * 32),
        container="mov",
        duration=Time(ticks=96000),
        picture=PictureInfo(
            codec="h264", width=64, height=36, rate=Rate(num=24), frames=48, pixel_format="yuv422p10le", bit_depth=10,
            matrix="bt709", value_range="limited", primaries="bt709", transfer=transfer,
        ),
        sound=SoundInfo(codec="pcm_s16le", rate_hz=48000, channels=2, layout="stereo", samples=96000),
    )  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> FilmStore:
    film = Film(
        name="Boathouse Waltz",
        rate=Rate(num=24),
        song=Song(title="Boathouse Waltz", mix=clip("mix.wav")),
        parts=(Part(id="cajon", name="Cajón"),),
        takes=(
            Take(id="cajon-1", kind="stage", part="cajon", clip=clip("a.mov")),
            Take(id="close-1", kind="roaming", clip=clip("b.mov", "bt709")),
        ),
        placements=(Placement(take="close-1", confidence="sure", start=Time(ticks=24000)),),
    )
    with FilmStore.create(tmp_path / "film", film, "Began") as opened:
        yield opened


@pytest.fixture
def lifted(tmp_path: Path) -> Path:
    """A table that lifts black to 3 % and holds white at 97 %."""
    path = tmp_path / "soft.cube"
    write_cube(path, Cube(np.array([[0.03] * 3, [0.97] * 3], np.float32), title="Soft"))
    return path


def test_the_path_is_told_in_order_and_its_floor_measured(store: FilmStore, lifted: Path) -> None:
    head = steps.set_look(store, BASIC, table=str(lifted))
    assert head.revision.sentence == f"Set the look: {DISPLAY}, {VIEW}"
    told = steps.describe(store.folder, head.film)
    assert [name for name, _ in told.lines] == [
        "config", "exposure", "cdl", "contrast", "colour", "tint", "display", "table", "black level", "texture",
    ]  # fmt: skip
    assert told.table is not None
    assert told.table.floor.code == 90  # 3 % is code 90: BT.709-6, item 4.6
    (path,) = told.paths
    # The display's own black is under 0.01 %, so the floor is the table's.
    assert path.measured.floor.percent == pytest.approx(3, abs=0.01)
    assert path.measured.ceiling.percent == pytest.approx(97, abs=0.01)
    # Mid grey in ACEScct: Academy S-2016-001.
    assert path.measured.grey_in == pytest.approx(0.4135884, abs=2e-6)
    assert path.measured.falls_at is None


def test_a_lifted_floor_is_brought_to_zero_and_mid_grey_stays(store: FilmStore, lifted: Path) -> None:
    head = steps.set_look(store, BASIC, table=str(lifted))
    (before,) = steps.describe(store.folder, head.film).paths
    assert before.measured.floor.percent == pytest.approx(3.00, abs=0.05)
    head = steps.set_look(store, Wish(black="measured"))
    assert head.revision.sentence == "Changed the look: black 3.005 % becomes 0"
    (path,) = steps.describe(store.folder, head.film).paths
    assert path.measured.floor.percent == 0
    assert path.measured.floor.code == 64
    assert path.measured.black.percent == 0
    # Half a thousandth of a percent: single precision. The curve starts above mid grey's own code.
    assert path.measured.grey_out.percent == pytest.approx(before.measured.grey_out.percent, abs=5e-4)
    assert path.measured.ceiling == before.measured.ceiling
    # The same by a number, and off again.
    head = steps.set_look(store, Wish(black="3.1"))
    assert head.film.look is not None
    assert head.film.look.black is not None
    assert head.film.look.black.level == pytest.approx((0.031,) * 3, abs=2e-5)
    head = steps.set_look(store, Wish(black="off"))
    assert head.film.look is not None
    assert head.film.look.black is None


def test_a_table_can_be_tried_without_setting_it(store: FilmStore, lifted: Path) -> None:
    head = steps.set_look(store, BASIC)
    told = steps.describe(store.folder, head.film, table=str(lifted))
    assert told.table is not None
    assert told.table.floor.percent == pytest.approx(3, abs=1e-4)
    assert store.head().film.look == head.film.look
    assert steps.describe(store.folder, head.film).table is None


def test_encodings_come_from_the_person_then_the_tag_then_a_question(store: FilmStore) -> None:
    head = steps.set_look(store, Wish(display=DISPLAY, view=VIEW))
    told = {entry.takes: entry for entry in steps.describe(store.folder, head.film).encodings}
    assert told[("cajon-1",)].space is None
    assert told[("close-1",)].space == "Camera Rec.709"
    assert "from the file's tag (bt709)" in told[("close-1",)].known_from
    assert steps.describe(store.folder, head.film).asks

    head = steps.set_look(store, Wish(input_space="acescct"), takes=("cajon-1",))
    assert head.film.take("cajon-1").input_space == "ACEScct"
    assert head.revision.sentence == "Named the encoding of cajon-1: ACEScct"
    assert not steps.describe(store.folder, head.film).asks

    head = steps.set_look(store, Wish(input_space="ACEScct"))
    told = {entry.takes: entry for entry in steps.describe(store.folder, head.film).encodings}
    assert told[("close-1",)].known_from == "as set for the film, though the file's tag says bt709"


@pytest.mark.parametrize(
    ("wish", "options", "sentence"),
    [
        (Wish(input_space="ACESct", display=DISPLAY, view=VIEW), {}, "no colour space 'ACESct'. The nearest: ACEScct"),
        (Wish(display="tube", view=VIEW), {}, "no display 'tube'"),
        (Wish(display=DISPLAY, view="nice"), {}, "no view of"),
        (Wish(exposure_stops=1.0), {}, "needs --display and --view"),
        (Wish(config="none.ocio", display=DISPLAY, view=VIEW), {}, "neither a built-in OpenColorIO config"),
        (BASIC, {"takes": ("nobody",)}, "no take 'nobody'"),
        (Wish(exposure_stops=1.0), {"takes": ("cajon-1",)}, "--take says whose encoding"),
        (BASIC, {"table": "none.cube"}, "cannot be read"),
        (replace(BASIC, black="grey"), {}, "a percentage such as 3, measured or off"),
        (replace(BASIC, black="39.5"), {}, "is not below mid grey"),
        (replace(BASIC, black="50"), {}, "out of range"),
        (replace(BASIC, table_space="ACEScct"), {}, "has no table whose encoding"),
        (Wish(cdl=CdlWish(power=(1.1, 1.0, 1.0))), {"takes": ("cajon-1",)}, "only a slope keeps the merge right"),
    ],
)
def test_what_cannot_be_set_leaves_the_film_as_it_was(
    store: FilmStore, wish: Wish, options: dict[str, Any], sentence: str
) -> None:
    before = store.head()
    with pytest.raises(InvalidInput, match=sentence):
        steps.set_look(store, wish, **options)
    assert store.head() == before


def test_a_table_that_changed_on_disk_is_noticed(store: FilmStore, lifted: Path) -> None:
    head = steps.set_look(store, BASIC, table=str(lifted))
    write_cube(lifted, Cube(np.array([[0.5] * 3, [0.9] * 3], np.float32)))
    with pytest.raises(InvalidInput, match="has changed since it was chosen"):
        steps.describe(store.folder, head.film)
    head = steps.set_look(store, Wish(), table="off")
    assert steps.describe(store.folder, head.film).table is None


def test_a_film_without_a_look_says_how_to_set_one(store: FilmStore) -> None:
    with pytest.raises(InvalidInput, match="partsong look set"):
        steps.describe(store.folder, store.head().film)


def test_the_commands_set_show_and_list(store: FilmStore, lifted: Path) -> None:
    film = str(store.folder.root)

    def run(*words: str, status: int = 0) -> str:
        result = CliRunner().invoke(app, list(words), catch_exceptions=False)
        assert result.exit_code == status, result.output
        return result.output

    assert f'--display "{DISPLAY}"' in run("spaces", film)
    assert "ACEScct" in json.loads(run("spaces", film, "--json"))["spaces"]
    run("set", film, "--display", DISPLAY, "--view", VIEW, "--exposure", "-0.5", "--black-and-white", "as-seen")
    # Somebody must say how one take was encoded.
    assert "To decide: the encoding of cajon-1." in run("show", film, status=1)
    run("set", film, "--input", "ACEScct", "--cube", str(lifted), "--black-level", "3.1")
    told = run("show", film)
    assert "black and white: 0.272 red + 0.674 green + 0.054 blue light" in told
    assert "-0.50 stops" in told
    assert "(curves of 2 points" in told
    assert "is that already" in run("set", film, "--input", "ACEScct")
    shown = json.loads(run("show", film, "--json"))
    assert shown["look"]["black"]["level"] == pytest.approx([0.031] * 3, abs=2e-5)
    assert shown["paths"][0]["measured"]["floor"]["percent"] == 0


def test_a_still_needs_a_look_a_time_within_the_song_and_a_picture(store: FilmStore, tmp_path: Path) -> None:
    out = tmp_path / "still.png"
    with pytest.raises(InvalidInput, match="no look yet"):
        showing.still(store, out, at_s=Fraction(1))
    steps.set_look(store, BASIC)
    with pytest.raises(InvalidInput, match=r"end in \.png"):
        showing.still(store, tmp_path / "still.jpg", at_s=Fraction(1))
    with pytest.raises(InvalidInput, match="outside the song"):
        showing.still(store, out, at_s=Fraction(2))
    with pytest.raises(InvalidInput, match=r"close-1 has no picture at 00:00\.25"):
        showing.still(store, out, at_s=Fraction(1, 4), take="close-1")
    assert not out.exists()


def grey_clip(path: Path, *, frames: int) -> None:
    """An 18 % grey card in ACEScct is code 0.4135884 (Academy S-2016-001): 426.3 of 10-bit limited range."""
    from partsong.media.encode import RECIPES, PictureWriter
    from partsong.media.planes import Planes

    y, c = np.full((36, 64), 426, np.uint16), np.full((36, 32), 512, np.uint16)
    with PictureWriter(path, RECIPES["intermediate"], width=64, height=36, rate=Rate(num=24)) as writer:
        for _ in range(frames):
            writer.write(Planes(y, c, c, 10, "bt709", "limited"))


def assert_mid_grey(path: Path, look: Look) -> None:
    import cv2

    shown = cv2.imread(str(path))
    expected = 255 * colour.display_path(look, "ACEScct", None)(np.full((1, 3), 0.4135884, np.float32))[0, 1]
    assert expected == pytest.approx(99.3, abs=0.1)  # so that a black or white picture would not pass
    # One 8-bit code: the camera's code was rounded (0.3 of 876), the intermediate is near lossless.
    assert np.abs(shown.astype(float) - expected).max() <= 1
    assert np.ptp(shown.astype(int), axis=-1).max() <= 1


def test_a_still_of_a_take_shows_mid_grey_as_the_look_says(store: FilmStore, tmp_path: Path) -> None:
    from partsong.media.probe import probe

    path = tmp_path / "grey.mov"
    grey_clip(path, frames=12)
    grey = Take(id="grey", kind="roaming", clip=probe(path, store.folder.refer(path)))
    place = Placement(take="grey", confidence="sure", start=Time(ticks=0))
    store.change("Added", lambda film: film.replace(takes=(*film.takes, grey), placements=(*film.placements, place)))
    head = steps.set_look(store, BASIC)
    assert head.film.look is not None
    told = showing.still(store, tmp_path / "still.png", at_s=Fraction(1, 4), take="grey")
    assert told == "grey at 00:00.25 (frame 6 of grey.mov), 64 x 36"
    assert_mid_grey(tmp_path / "still.png", head.film.look)


def test_a_still_of_the_wide_is_made_once_there_is_one(store: FilmStore, tmp_path: Path) -> None:
    from partsong.render import wide

    staged = Stage(reference="cajon-1", order=("cajon-1",))
    place = Placement(take="cajon-1", confidence="sure", start=Time(ticks=0))
    store.change(
        "Staged",
        lambda film: film.replace(width=64, height=36, stage=staged, placements=(*film.placements, place)),
    )
    head = steps.set_look(store, BASIC)
    assert head.film.look is not None
    with pytest.raises(InvalidInput, match=r"not merged from 00:01\.50 to 00:01\.75 of the song"):
        showing.still(store, tmp_path / "still.png", at_s=Fraction(3, 2))
    (segment,) = wide.segments_of(head.film, [36])
    grey_clip(wide.place(store.folder, segment), frames=segment.stop - segment.first)
    told = showing.still(store, tmp_path / "still.png", at_s=Fraction(3, 2))
    assert told == "wide at 00:01.50 (frame 36 of the song), 64 x 36"
    assert_mid_grey(tmp_path / "still.png", head.film.look)


def test_a_stage_take_s_grade_is_its_match_and_a_roaming_one_s_its_own(store: FilmStore) -> None:
    steps.set_look(store, BASIC)
    head = steps.set_look(store, Wish(cdl=CdlWish(slope=(1.2, 1.0, 0.9))), takes=("cajon-1", "close-1"))
    assert head.revision.sentence == "Graded cajon-1, close-1: slope 1.2 1 0.9"
    match = head.film.stage.match_of("cajon-1")
    assert match is not None
    assert (match.gain, match.by_hand) == ((1.2, 1.0, 0.9), True)
    assert head.film.take("close-1").grade == head.film.grade_of("close-1") == head.film.grade_of("cajon-1")
    told = steps.describe(store.folder, head.film)
    assert told.grades == (("cajon-1", "slope 1.2 1 0.9"), ("close-1", "slope 1.2 1 0.9"))
    head = steps.set_look(store, Wish(cdl=CdlWish(offset=(0.01, 0.0, 0.0))), takes=("close-1",))
    assert head.film.take("close-1").grade == Cdl(slope=(1.2, 1.0, 0.9), offset=(0.01, 0.0, 0.0))
    head = steps.set_look(store, Wish(cdl="off"), takes=("cajon-1", "close-1"))
    assert head.film.stage.matches == ()
    assert head.film.grade_of("close-1") is None


def test_measuring_prints_the_floor_draws_the_curve_and_offers_the_correction(
    store: FilmStore, lifted: Path, tmp_path: Path
) -> None:
    import cv2

    film, plot = str(store.folder.root), tmp_path / "curve.png"
    steps.set_look(store, BASIC)

    def run(*words: str, status: int = 0) -> str:
        result = CliRunner().invoke(app, list(words), catch_exceptions=False)
        assert result.exit_code == status, result.output
        return result.output

    told = run("measure", film, "--cube", str(lifted), "--plot", str(plot))
    assert "floor                     3.00 % (code 90)" in told
    assert "lights are flat above     nowhere" in told
    assert "Black stops at 3.005 %." in told
    assert "partsong look set FILM --black-level measured" in told
    # The accent marks floor and ceiling where the axes say: 480 pixels from 0 to 100 %, in a drawing of them.
    image = cv2.imread(str(plot))[..., ::-1]
    rows = np.nonzero((image == (176, 58, 30)).all(axis=-1).sum(axis=1) > 150)[0]
    assert (rows[-1] - rows[0]) / 480 == pytest.approx(0.97 - 0.03, abs=0.005)

    run("set", film, "--cube", str(lifted), "--black-level", "measured")
    told = run("measure", film)
    assert "Black stops" not in told
    assert told.count("0.00 % (code 64)") >= 2
    run("measure", film, "--plot", str(plot))
    numbers = json.loads(run("measure", film, "--json"))
    assert numbers["table"]["floor"]["code"] == 90
    assert numbers["paths"][0]["measured"]["floor"]["code"] == 64


def test_measuring_a_path_asks_for_an_encoding_that_is_not_known(store: FilmStore, tmp_path: Path) -> None:
    steps.set_look(store, Wish(display=DISPLAY, view=VIEW))
    result = CliRunner().invoke(app, ["measure", str(store.folder.root)], catch_exceptions=False)
    assert result.exit_code == 1
    assert "To decide: the encoding of cajon-1." in result.output
    with pytest.raises(InvalidInput, match=r"end in \.png"):
        CliRunner().invoke(
            app, ["measure", str(store.folder.root), "--plot", str(tmp_path / "x.jpg")], catch_exceptions=False
        )
