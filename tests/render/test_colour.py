"""The colour path: OpenColorIO against published formulas, and each step of a look against arithmetic."""

from __future__ import annotations

import os
import pickle
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import acescct
from partsong.errors import InvalidInput
from partsong.film.records import (
    BlackCurve,
    Cdl,
    Clip,
    Film,
    Look,
    MediaFile,
    Part,
    PictureInfo,
    Take,
)
from partsong.render import colour, grading
from partsong.render.cube import Cube
from partsong.timebase import Rate, Time

CONFIG = colour.DEFAULT_CONFIG
DISPLAY, VIEW = "Rec.1886 Rec.709 - Display", "ACES 1.0 - SDR Video"
PLAIN = Look(config=CONFIG, display=DISPLAY, view=VIEW)
# OpenColorIO computes in single precision: near mid grey that is about 2e-6 of the code (and as much of the light).
SINGLE = 2e-6


def test_the_curve_of_acescct_is_the_published_one() -> None:
    curve = colour.linear_curve(CONFIG, "ACEScct", 4096)
    expected = acescct.to_linear(np.linspace(0, 1, 4096))
    # Light spans four decades: 2e-6 of each value (single precision), 2e-7 near zero.
    np.testing.assert_allclose(curve, expected, rtol=SINGLE, atol=2e-7)


def test_the_curve_of_acescct_agrees_with_colour_science() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns that plotting is not installed
        from colour.models import log_decoding_ACEScct

    curve = colour.linear_curve(CONFIG, "ACEScct", 1024)
    np.testing.assert_allclose(curve, log_decoding_ACEScct(np.linspace(0, 1, 1024)), rtol=SINGLE, atol=2e-7)


# Academy S-2016-001, worked by colour-science 0.4.7.
@pytest.mark.parametrize(
    ("light", "code"),
    [(0.0, 0.0729055342), (0.0078125, 0.1552511416), (0.18, 0.4135884025), (1.0, 0.5547945205), (16.0, 0.7831050228)],
)
def test_light_is_encoded_as_published(light: float, code: float) -> None:
    assert colour.from_linear(CONFIG, "ACEScct", [light] * 3) == pytest.approx([code] * 3, abs=SINGLE)


def test_luminance_weights_are_those_of_the_working_primaries() -> None:
    # AP1, the second row of its matrix to XYZ (Academy S-2014-004), to single precision.
    assert colour.luminance_weights(CONFIG) == pytest.approx((0.2722287168, 0.6740817658, 0.0536895174), abs=2e-7)


def test_an_alias_or_a_role_names_the_same_space() -> None:
    assert colour.space_name(CONFIG, "acescct") == colour.space_name(CONFIG, "color_timing") == "ACEScct"
    assert "ACEScct" in colour.spaces(CONFIG)
    assert VIEW in colour.displays(CONFIG)[DISPLAY]


@pytest.mark.parametrize(
    ("ask", "sentence"),
    [
        (lambda: colour.space_name(CONFIG, "acesct"), "no colour space 'acesct'. The nearest: ACEScct"),
        (lambda: colour.space_name(CONFIG, "Raw"), "data without colour"),
        (lambda: colour.display_view(CONFIG, "Rec.1886", VIEW), f"no display 'Rec.1886'. The nearest: {DISPLAY}"),
        (lambda: colour.display_view(CONFIG, DISPLAY, "SDR"), "no view of"),
        (lambda: colour.spaces("studio-config-latest"), "by its full, pinned name"),
        (lambda: colour.linear_curve(CONFIG, "ADX16"), "more signal is not always more light"),
        (lambda: colour.display_path(PLAIN, "nowhere", None), "no colour space 'nowhere'"),
        (lambda: colour.display_path(PLAIN, "ACEScct", Cube(np.eye(3, dtype=np.float32))), "do not belong together"),
        (lambda: colour.to_linear(CONFIG, "ACEScct", [0.1, 0.2]), "last axis"),
    ],
)
def test_an_unknown_name_is_answered_with_the_nearest(ask: Any, sentence: str) -> None:
    with pytest.raises(InvalidInput, match=sentence):
        ask()


def test_the_plain_path_is_the_library_s_own() -> None:
    import PyOpenColorIO as ocio  # noqa: N813

    rgb = np.random.default_rng(3).uniform(0, 1, (500, 3)).astype(np.float32)
    config = ocio.Config.CreateFromBuiltinConfig(CONFIG)
    straight = config.getProcessor(ocio.DisplayViewTransform(src="ACEScct", display=DISPLAY, view=VIEW))
    expected = rgb.copy()
    straight.getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS).applyRGB(expected)
    # 1e-5 of display code, a hundredth of a 10-bit code: single precision once more on the way.
    np.testing.assert_allclose(colour.display_path(PLAIN, "ACEScct", None)(rgb), np.clip(expected, 0, 1), atol=1e-5)


def test_one_stop_of_exposure_is_one_stop_of_code() -> None:
    # A stop is 1/17.52 of ACEScct code above its break (Academy S-2016-001).
    path = colour.display_path(PLAIN, "ACEScct", None)
    brighter = colour.display_path(PLAIN.replace(exposure_stops=1.0), "ACEScct", None)
    code = np.linspace(0.2, 0.8, 20, dtype=np.float32)[:, None].repeat(3, axis=1)
    np.testing.assert_allclose(brighter(code), path(code + np.float32(1 / 17.52)), atol=1e-5)  # single precision


def test_the_table_acts_on_the_display_code_and_the_black_curve_comes_last() -> None:
    lifted = Cube(np.array([[0.1] * 3, [0.9] * 3], np.float32))
    file = MediaFile(path="lift.cube", size_bytes=1, fingerprint="0" * 32)
    rgb = np.linspace(0, 1, 9, dtype=np.float32)[:, None].repeat(3, axis=1)
    plain = colour.display_path(PLAIN, "ACEScct", None)(rgb)
    through = colour.display_path(PLAIN.replace(table=file), "ACEScct", lifted)(rgb)
    np.testing.assert_allclose(through, 0.1 + 0.8 * plain, atol=1e-6)  # float32
    black = BlackCurve(level=(0.1,) * 3, keep=(0.5,) * 3)
    held = colour.display_path(PLAIN.replace(table=file, black=black), "ACEScct", lifted)(rgb)
    np.testing.assert_allclose(held, grading.held_black(black, through), atol=1e-6)


def test_a_table_for_log_light_stands_in_the_view_s_place() -> None:
    file = MediaFile(path="log.cube", size_bytes=1, fingerprint="0" * 32)
    ends = Cube(np.array([[0.0] * 3, [1.0] * 3], np.float32))  # changes nothing, so what it is given comes out
    look = PLAIN.replace(table=file, table_space="ACEScct", exposure_stops=1.0)
    rgb = np.array([[0.3, 0.4, 0.5]], np.float32)
    # A stop is 1/17.52 of ACEScct code above its break (Academy S-2016-001).
    np.testing.assert_allclose(colour.display_path(look, "ACEScct", ends)(rgb), rgb + 1 / 17.52, atol=SINGLE)


def test_a_grade_on_a_take_is_a_gain_on_its_light_as_in_the_merge() -> None:
    # One stop by a slope of two in the take's grade is one stop of exposure: ACEScct has the working primaries.
    brighter = colour.display_path(PLAIN, "ACEScct", None, Cdl(slope=(2.0, 2.0, 2.0)))
    stop = colour.display_path(PLAIN.replace(exposure_stops=1.0), "ACEScct", None)
    code = np.random.default_rng(4).uniform(0.2, 0.8, (50, 3)).astype(np.float32)
    # 2e-5 of display code, a sixtieth of a 10-bit code: the merge's curve has 4,096 steps.
    np.testing.assert_allclose(brighter(code), stop(code), atol=2e-5)


def test_a_path_can_be_sent_to_another_process_and_leaves_its_input_alone() -> None:
    path = colour.display_path(PLAIN, "ACEScct", None)
    rgb = np.full((2, 4, 3), 0.4, np.float32)
    again = pickle.loads(pickle.dumps(path))
    assert np.array_equal(path(rgb), again(rgb))
    assert path(rgb).shape == (2, 4, 3)
    assert path(rgb).dtype == np.float32
    assert (rgb == np.float32(0.4)).all()
    assert path(np.zeros((0, 3), np.float32)).shape == (0, 3)


def test_a_config_of_ones_own_is_read_from_its_path_and_again_when_it_changes(tmp_path: Path) -> None:
    text = (
        "ocio_profile_version: 2\nroles:\n  scene_linear: light\nfile_rules:\n"
        "  - !<Rule> {name: Default, colorspace: light}\n"
        "displays:\n  screen:\n    - !<View> {name: straight, colorspace: code}\n"
        "colorspaces:\n  - !<ColorSpace> {name: light}\n"
        "  - !<ColorSpace>\n    name: code\n    to_scene_reference: "
        "!<ExponentTransform> {value: [POWER, POWER, POWER, 1]}\n"
    )
    path = tmp_path / "own.ocio"
    for power, stamp in ((2, 1_000_000_000), (3, 2_000_000_000)):
        path.write_text(text.replace("POWER", str(power)))
        os.utime(path, ns=(stamp, stamp))
        assert colour.linear_curve(str(path), "code", 3) == pytest.approx([0, 0.5**power, 1], abs=SINGLE)
    assert colour.spaces(str(path)) == ("light", "code")
    # Without the interchange role, the config's own luminance weights hold (BT.709 unless it says otherwise).
    assert colour.luminance_weights(str(path)) == pytest.approx((0.2126, 0.7152, 0.0722))
    look = Look(config=str(path), display="screen", view="straight")
    assert colour.display_path(look, "light", None)(np.full((1, 3), 0.125, np.float32)) == pytest.approx(
        np.full((1, 3), 0.5), abs=SINGLE
    )


@pytest.mark.parametrize(
    ("text", "sentence"),
    [("not a config", "not a usable OpenColorIO config"), ("ocio_profile_version: 99\n", "not a usable")],
)
def test_a_config_that_is_none_is_refused(tmp_path: Path, text: str, sentence: str) -> None:
    (tmp_path / "x.ocio").write_text(text)
    with pytest.raises(InvalidInput, match=sentence):
        colour.spaces(str(tmp_path / "x.ocio"))


# --- which space a take is in ---------------------------------------------------------------------


def take(name: str, *, transfer: str = "unknown", primaries: str = "bt709", space: str | None = None) -> Take:
    picture = PictureInfo(
        codec="h264", width=64, height=36, rate=Rate(num=24), frames=48, pixel_format="yuv422p10le", bit_depth=10,
        transfer=transfer, primaries=primaries,
    )  # fmt: skip
    clip = Clip(
        file=MediaFile(path=f"{name}.mov", size_bytes=9, fingerprint="0" * 32),
        container="mov",
        duration=Time(ticks=96000),
        picture=picture,
    )
    return Take(id=name, kind="stage", part="cajon", clip=clip, input_space=space)


def test_what_a_person_said_goes_before_the_tag_and_the_tag_before_asking() -> None:
    given_space = PLAIN.replace(input_space="ACEScct")
    assert colour.space_of_take(given_space, take("a", transfer="bt709", space="ACEScc")) == "ACEScc"
    assert colour.space_of_take(given_space, take("a", transfer="bt709")) == "ACEScct"
    assert colour.space_of_take(PLAIN, take("a", transfer="bt709")) == "Camera Rec.709"
    with pytest.raises(InvalidInput, match=r"encoding of a is not known.*--take a --input SPACE"):
        colour.space_of_take(PLAIN, take("a"))
    assert colour.space_of_take(PLAIN, take("a", transfer="srgb")) == "sRGB - Texture"
    # A transfer without the primaries that go with it says only half.
    assert colour.tagged_space(CONFIG, take("a", transfer="bt709", primaries="bt2020").picture) is None


def test_the_wide_has_one_encoding_or_the_takes_that_differ_are_named() -> None:
    film = Film(name="x", parts=(Part(id="cajon", name="Cajón"),), takes=(take("a", space="ACEScct"), take("b")))
    assert colour.space_of_wide(film, PLAIN.replace(input_space="ACEScct")) == "ACEScct"
    with pytest.raises(InvalidInput, match="a in ACEScct, b in ACEScc"):
        colour.space_of_wide(film, PLAIN.replace(input_space="ACEScc"))
    with pytest.raises(InvalidInput, match="no wide to merge"):
        colour.space_of_wide(Film(name="x"), PLAIN)
