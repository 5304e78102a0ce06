"""Takes of generated rooms, filmed to real files, matched through the store, and what masters make of the grades."""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from partsong.cli.look import app
from partsong.demo.camera import record
from partsong.errors import InvalidInput
from partsong.film.records import (
    Cdl,
    Clip,
    Film,
    MediaFile,
    Part,
    Placement,
    Shot,
    Song,
    SoundInfo,
    Stage,
    Take,
    Texture,
)
from partsong.film.store import FilmStore
from partsong.look import steps
from partsong.look.grain import grain_of
from partsong.look.matching import How, match_takes
from partsong.look.settings import CdlWish, Wish, graded
from partsong.media.convert import encoded_rgb
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.probe import probe
from partsong.render import colour
from partsong.render.plan import layers_of
from partsong.timebase import Rate, Time
from partsong.watch import silent

_SPEC = importlib.util.spec_from_file_location("generated_rooms", Path(__file__).with_name("test_match.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
rooms: Any = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(rooms)

BASIC = Wish(input_space="ACEScct", display="Rec.1886 Rec.709 - Display", view="ACES 1.0 - SDR Video")
SIZE = (180, 320)
FRAMES, HEAD = 36, 10
CARD = (150, 80, 24, 18)
PARTS = ("cajon", "bass", "harp")
EXPECTED = rooms.lamp(5600) / rooms.lamp(5300) * 2 ** (1 / 3)


def write(path: Path, heads: np.ndarray, light: np.ndarray, seed: int) -> None:
    """Film a clip: an ambient-only head, then the lamp."""
    path.parent.mkdir(exist_ok=True)
    with PictureWriter(path, RECIPES["camera"], width=SIZE[1], height=SIZE[0], rate=Rate(num=24)) as writer:
        for number in range(FRAMES):
            writer.write(record((heads if number < HEAD else light).astype(np.float32), seed=seed * 1000 + number))


def lights() -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """The hero; a take a third of a stop darker and 300 K warmer; one with the lamp elsewhere, as dark and warm.

    Of each the light of its ambient head, and that with the lamp.
    """
    colours = rooms.room(11, SIZE)
    left, top, width, height = CARD
    colours[top : top + height, left : left + width] = 0.18
    ambient, fall = 0.12 * colours, lambda x: 0.9 * colours * rooms.lit(colours.shape, x, 0.3)
    places = {"cajon": (0.3, 1.0), "bass": (0.3, 1 / EXPECTED), "harp": (0.9, 1 / EXPECTED)}
    return {name: (ambient * sensor, (ambient + fall(x)) * sensor) for name, (x, sensor) in places.items()}


@pytest.fixture(scope="module")
def material(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The takes as files."""
    folder = tmp_path_factory.mktemp("matching")
    for seed, (name, (head, light)) in enumerate(lights().items()):
        write(folder / "clips" / f"{name}.mov", head, light, seed)
    return folder


@pytest.fixture
def store(material: Path, tmp_path: Path) -> Iterator[FilmStore]:
    from partsong.film.folder import FilmFolder

    sound = SoundInfo(codec="pcm_s16le", rate_hz=48000, channels=2, layout="stereo", samples=48000)
    mix = Clip(
        file=MediaFile(path="mix.wav", size_bytes=1, fingerprint="0" * 32),
        container="wav", duration=Time(ticks=48000), sound=sound,
    )  # fmt: skip
    folder = FilmFolder(tmp_path / "film")
    clips = {name: material / "clips" / f"{name}.mov" for name in PARTS}
    takes = tuple(
        Take(id=f"{name}-1", kind="stage", part=name, clip=probe(path, folder.refer(path)))
        for name, path in clips.items()
    )
    close = Take(id="close-1", kind="roaming", part="bass", clip=takes[1].clip)
    film = Film(
        name="Rooms",
        rate=Rate(num=24),
        width=SIZE[1],
        height=SIZE[0],
        song=Song(title="Rooms", mix=mix),
        parts=tuple(Part(id=name, name=name) for name in PARTS),
        takes=(*takes, close),
        # The lamp is on when the song begins.
        placements=tuple(
            Placement(take=take.id, confidence="sure", start=Time.of(Fraction(-HEAD, 24))) for take in (*takes, close)
        ),
        stage=Stage(reference="cajon-1", order=("cajon-1",)),
    )
    with FilmStore.create(folder.root, film, "Began") as opened:
        steps.set_look(opened, BASIC)
        yield opened


def assert_comes_back(gain: Any, *, stops: float = 0.05, share: float = 0.01) -> None:
    assert np.log2(gain[1]) == pytest.approx(np.log2(EXPECTED[1]), abs=stops)
    np.testing.assert_allclose(np.asarray(gain) / gain[1], EXPECTED / EXPECTED[1], rtol=share)


def test_exposure_and_balance_come_back_and_a_moved_lamp_asks(store: FilmStore) -> None:
    found = {one.take: one for one in match_takes(store, How(), watch=silent())}
    film = store.head().film
    match = film.stage.match_of("bass-1")
    assert match is not None
    assert match.known
    assert not match.by_hand
    assert_comes_back(match.gain)
    assert film.grade_of("bass-1") == Cdl(slope=match.gain) == found["bass-1"].cdl
    # The merge multiplies the layer's light by the same gain.
    ((layer, _),) = layers_of(film.replace(stage=film.stage.replace(order=("bass-1",))))
    assert layer.gain == match.gain
    # The lamp stood elsewhere for the harp: no number, but what to do.
    assert not found["harp-1"].told
    assert "a second of ambient light at the head" in found["harp-1"].sentence
    harp = film.stage.match_of("harp-1")
    assert harp is not None
    assert (harp.known, harp.gain) == (False, (1.0, 1.0, 1.0))
    assert film.grade_of("harp-1") is None


def test_ambient_heads_tell_exposure_wherever_the_lamp_stood(store: FilmStore) -> None:
    head = Fraction(HEAD - 1, 24)
    found = {one.take: one for one in match_takes(store, How(head_s=head), watch=silent())}
    assert_comes_back(found["harp-1"].cdl.slope)
    assert store.head().revision.sentence.startswith("Matched the light of bass-1, harp-1")


def test_a_grey_card_tells_exposure_too(store: FilmStore) -> None:
    cards = dict.fromkeys(("cajon-1", "harp-1"), (CARD[0] + 4, CARD[1] + 4, CARD[2] - 8, CARD[3] - 8))
    how = How(head_s=Fraction(HEAD - 1, 24), cards=cards)
    (found,) = match_takes(store, how, takes=("harp-1",), watch=silent())
    assert_comes_back(found.cdl.slope)
    with pytest.raises(InvalidInput, match=r"bass-1 against cajon-1: Where the grey card is in bass-1"):
        match_takes(store, how, takes=("bass-1",), watch=silent())
    outside = How(cards={"cajon-1": (0, 0, 9, 9), "harp-1": (310, 10, 20, 20)})
    with pytest.raises(InvalidInput, match="reaches out of the picture of harp-1"):
        match_takes(store, outside, takes=("harp-1",), watch=silent())


def test_roaming_coverage_is_matched_to_the_take_of_its_part_as_that_is_graded(store: FilmStore) -> None:
    steps.set_look(store, Wish(cdl=CdlWish(slope=(1.5, 1.5, 1.5))), takes=("bass-1",))
    (found,) = match_takes(store, How(), takes=("close-1",), watch=silent())
    assert found.hero == "bass-1"
    assert found.told
    # Both are the same file: what is left is the hero's own grade. Two thousandths: the clip's noise.
    np.testing.assert_allclose(found.cdl.slope, 1.5, rtol=2e-3)
    assert store.head().film.take("close-1").grade == found.cdl


def test_what_a_person_graded_stays_unless_it_is_named(store: FilmStore) -> None:
    mine = Cdl(slope=(1.1, 1.0, 1.0))
    steps.set_look(store, Wish(cdl=CdlWish(slope=mine.slope)), takes=("bass-1",))
    steps.set_look(store, Wish(cdl=CdlWish(offset=(0.01, 0.01, 0.01))), takes=("close-1",))
    found = match_takes(store, How(head_s=Fraction(HEAD - 1, 24)), watch=silent())
    assert [one.take for one in found] == ["harp-1"]
    assert store.head().film.grade_of("bass-1") == mine
    match_takes(store, How(), takes=("bass-1",), watch=silent())
    assert store.head().film.grade_of("bass-1") != mine


def test_one_frame_of_the_hero_can_be_named(store: FilmStore) -> None:
    (found,) = match_takes(store, How(hero="cajon-1", at_s=Fraction(1, 2)), takes=("bass-1",), watch=silent())
    assert_comes_back(found.cdl.slope)
    with pytest.raises(InvalidInput, match="cajon-1 has no picture at 5 s"):
        match_takes(store, How(hero="cajon-1", at_s=Fraction(5)), takes=("bass-1",), watch=silent())
    with pytest.raises(InvalidInput, match="Give one of them"):
        match_takes(store, How(at_s=Fraction(1), head_s=Fraction(1)), takes=("bass-1",), watch=silent())


def test_only_the_hero_leaves_nothing_to_match(store: FilmStore) -> None:
    with pytest.raises(InvalidInput, match="only the hero itself"):
        match_takes(store, How(hero="bass-1"), takes=("bass-1",), watch=silent())


def test_the_command_prints_grades_and_ends_with_a_decision(store: FilmStore) -> None:
    film = str(store.folder.root)
    result = CliRunner().invoke(app, ["match", film, "--take", "bass-1", "--take", "harp-1"], catch_exceptions=False)
    assert result.exit_code == 1
    assert "slope 1." in result.output
    assert "Not known against cajon-1" in result.output
    asked = ["match", film, "--take", "harp-1", "--head", "0.35", "--json"]
    result = CliRunner().invoke(app, asked, catch_exceptions=False)
    assert result.exit_code == 0
    assert_comes_back(json.loads(result.stdout)[0]["cdl"]["slope"])


# --- what becomes of grades and texture -----------------------------------------------------------


def masters_painter(store: FilmStore, film: Film) -> Any:
    from partsong.signoff.masters import plan_master
    from partsong.signoff.paint import painter_for

    return painter_for(store.folder, film, plan_master(film), "mezzanine")


def master_frames(painter: Any, *numbers: int) -> list[np.ndarray]:
    return [encoded_rgb(planes) for planes in painter.pictures(numbers)]


def test_a_master_s_shot_of_one_take_goes_through_its_grade(store: FilmStore) -> None:
    cut = (Shot(source="bass-1", start=0, end=18), Shot(source="close-1", start=18, end=24))
    plain = store.head().film.replace(cut=cut)
    look = plain.look
    assert look is not None
    one_stop = Cdl(slope=(2.0, 2.0, 2.0))
    film = graded(graded(plain, "bass-1", one_stop), "close-1", one_stop.replace(offset=(0.01, 0.0, 0.0)))
    brighter = plain.replace(look=look.replace(exposure_stops=1.0))
    found, warm = master_frames(masters_painter(store, film), 5, 20)
    expected, even = master_frames(masters_painter(store, brighter), 5, 20)
    # A stop by the take's grade is a stop by the look. Half a percent: two tables of 129 points, at their mean error.
    assert np.abs(found - expected).mean() < 0.005
    assert found.mean() - master_frames(masters_painter(store, plain), 5)[0].mean() > 0.05
    # The roaming take's offset of red light shows beside the stop.
    assert (warm[..., 0] - even[..., 0]).mean() > 0.005
    assert abs((warm[..., 2] - even[..., 2]).mean()) < 0.005


def test_texture_is_in_masters_and_changes_their_segments(store: FilmStore) -> None:
    from partsong.signoff.masters import plan_master

    plain = store.head().film.replace(cut=(Shot(source="bass-1", start=0, end=24),))
    assert plain.look is not None
    film = plain.replace(look=plain.look.replace(texture=Texture(vignette_stops=1.0, grain_percent=1.0)))
    bare, over = (masters_painter(store, one) for one in (plain, film))
    (without,), (dark,) = master_frames(bare, 9), master_frames(over, 9)
    corner = (slice(0, 12), slice(0, 12))
    assert dark[corner].mean() / without[corner].mean() == pytest.approx(2 ** (-0.9 / 2.4), abs=0.02)
    keys = {painter.segments(plan_master(film))[0].key for painter in (bare, over)}
    assert len(keys) == 2
    # The same frame among others is the same.
    assert np.array_equal(dark, master_frames(over, 8, 9)[1])


def test_grain_can_be_that_of_the_takes(store: FilmStore) -> None:
    head = steps.set_look(store, Wish(), grain_as_takes=True)
    assert head.film.look is not None
    texture = head.film.look.texture
    assert texture is not None
    # The same light and noise without a file between: two frames of each take straight from the sensor.
    path = colour.display_path(head.film.look, "ACEScct", None)
    straight = []
    for _, light in lights().values():
        pair = [encoded_rgb(record(light.astype(np.float32), seed=seed)) for seed in (77, 88)]
        straight.append(grain_of(*(path(frame) @ np.array((0.2126, 0.7152, 0.0722)) for frame in pair))[0])
    # The codec's own error is in what is shown, and so in what is measured: a third (a quarter was seen).
    assert texture.grain_percent == pytest.approx(np.median(straight), rel=0.35)
    assert steps.set_look(store, Wish(grain_percent=0.0)).film.look.texture is None  # type: ignore[union-attr]
    # A carried camera moves more than grain does.
    roaming = [one for one in store.head().film.placements if one.take == "close-1"]
    store.change("Took the others off", lambda film: film.replace(placements=tuple(roaming)))
    with pytest.raises(InvalidInput, match="measured where the camera stands"):
        steps.set_look(store, Wish(), grain_as_takes=True)


def test_scopes_a_still_and_a_bake_of_a_take(store: FilmStore, tmp_path: Path) -> None:
    import cv2

    film = str(store.folder.root)

    def run(*words: str) -> str:
        result = CliRunner().invoke(app, list(words), catch_exceptions=False)
        assert result.exit_code == 0, result.output
        return result.output

    left, top, width, height = CARD
    card = f"{left + width // 2},{top + height // 2}"
    told = run(
        "scope", film, "--at", "0.5", "--take", "cajon-1", "--out", str(tmp_path / "s.png"), "--point", card,
        "--point", "5,5",
    )  # fmt: skip
    assert "within EBU R 103" in told
    assert f"at {card}: luma" in told
    assert cv2.imread(str(tmp_path / "s.png")).shape[1] > 900
    shown = json.loads(run("scope", film, "--at", "0.5", "--take", "cajon-1", "--point", card, "--json"))
    # The card: 18 % under the fall of light at its place, which the generator knows.
    fall = 0.12 + 0.9 * rooms.lit((*SIZE, 3), 0.3, 0.3)[top + height // 2, left + width // 2, 0]
    # A tenth of a stop: the camera's noise and the codec.
    assert shown["readings"][0]["stops"] == pytest.approx(np.log2(fall), abs=0.1)
    before = json.loads(run("scope", film, "--at", "0.5", "--take", "cajon-1", "--point", card, "--before", "--json"))
    # ACEScct of that light (Academy S-2016-001).
    code = (np.log2(0.18 * fall) + 9.72) / 17.52
    assert before["readings"][0]["luma_percent"] == pytest.approx(100 * code, abs=0.6)
    run(
        "still",
        film,
        "--at",
        "0.5",
        "--take",
        "cajon-1",
        "--out",
        str(tmp_path / "mixes.png"),
        "--mixes",
        "--width",
        "160",
    )
    # In colour, desaturated, and six mixes, each under a title of 22 pixels, ten apart.
    assert cv2.imread(str(tmp_path / "mixes.png")).shape[:2] == (4 * (90 + 22 + 10) + 10, 2 * (160 + 10) + 10)

    told = run(
        "bake", film, "--cube", str(tmp_path / "l.cube"), "--size", "17", "--take", "bass-1", "--grades",
        str(tmp_path / "grades"), "--config", str(tmp_path / "l.ocio"),
    )  # fmt: skip
    assert "colours at random" in told
    assert "bass-1 at" in told
    assert sorted(path.name for path in (tmp_path / "grades").iterdir()) == [
        "bass-1.cc", "cajon-1.cc", "close-1.cc", "harp-1.cc",
    ]  # fmt: skip
    assert '"ACEScct"' in (tmp_path / "l.ocio").read_text()
    assert colour.space_of_take(store.head().film.look, store.head().film.take("bass-1")) == "ACEScct"  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["bake"], "Nothing to write was named"),
        (["bake", "--grades", "x.txt"], "should end in .ccc"),
        (["bake", "--cube", "x.cube", "--size", "34"], "Give one of 17, 33, 65"),
        (["bake", "--cube", "x.txt"], "should end in .cube"),
        (["bake", "--config", "x.ocio", "--grades", "x.ccc"], "Give the table too"),
        (["scope", "--at", "x"], "--at takes seconds"),
        (["scope", "--at", "0", "--take", "bass-1", "--point", "1"], "--point takes two whole numbers"),
        (["scope", "--at", "0", "--take", "bass-1", "--point", "320,1"], "lies outside the picture"),
        (["scope", "--at", "0", "--take", "bass-1", "--kind", "rain"], "There is no scope 'rain'"),
        (["still", "--at", "0", "--take", "bass-1", "--out", "x.png", "--width", "400"], "give 16 to 320"),
        (["match", "--card", "bass-1=1,2"], "--card takes a take and a box"),
        (["set", "--slope", "1,2"], "is not a slope of red, green and blue"),
        (["set", "--slope", "1", "--no-cdl"], "--no-cdl takes the grade away"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence(store: FilmStore, words: list[str], sentence: str) -> None:
    command, *rest = words
    with pytest.raises(InvalidInput, match=sentence.replace("?", r"\?")):
        CliRunner().invoke(app, [command, str(store.folder.root), *rest], catch_exceptions=False)
