"""What a master is made of, worked out by hand, and how pictures fit its frame."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.metrics import peak_signal_noise_ratio

from partsong.errors import InvalidInput
from partsong.film.records import Crop, Film, Look, Panel, Shot, Stutter
from partsong.media.planes import Chroma, Planes
from partsong.signoff.masters import file_name, fitted, on_black, plan_framed, plan_master, psnr, sampled_frames

LOOK = Look(config="studio-config-v2.1.0_aces-v1.3_ocio-v2.3", input_space="ACEScct", display="any", view="any")


@pytest.fixture
def ready(film: Film) -> Film:
    """The film with a look."""
    return film.replace(look=LOOK)


def test_every_frame_of_the_song_has_its_source(ready: Film) -> None:
    plan = plan_master(ready)
    assert plan.frames == 192  # 8 s at 24
    assert plan.samples == 384000  # 8 s at 48 kHz
    assert plan.sources == ("wide", "cajon-1", "roaming-1", "bass-1")
    assert [(piece.start, piece.stop) for piece in plan.pieces] == [
        (0, 48),
        (48, 96),
        (96, 144),
        (144, 168),
        (168, 192),
    ]
    # cajon-1 began a second before the song: song frame 48 is its frame 72, at the same rate.
    assert plan.pieces[1].view.frames == tuple(range(72, 120))
    # roaming-1 began at song second 1 with 50 frames a second: song second 4 is its second 3.
    assert plan.pieces[2].view.frames[0] == 150
    assert plan.pieces[2].view.frames[24] == 200


def test_sound_at_another_rate_keeps_its_length(ready: Film) -> None:
    assert ready.song is not None
    assert ready.song.mix.sound is not None
    mix = ready.song.mix.replace(sound=ready.song.mix.sound.replace(rate_hz=44100, samples=352801))
    # 352801 * 48000 / 44100 = 384001.09 samples.
    assert plan_master(ready.replace(song=ready.song.replace(mix=mix))).samples == 384001


def test_a_shot_past_the_song_is_cut_off_with_it(ready: Film) -> None:
    longer = ready.replace(cut=(*ready.cut[:-1], Shot(source="wide", start=168, end=200)))
    assert plan_master(longer).frames == 192


def test_a_stutter_shows_the_frames_that_it_began_with(ready: Film) -> None:
    plan = plan_master(ready.replace(effects=(Stutter(start=48, end=63, again=(53, 58)),)))
    assert [(piece.start, piece.stop, piece.view.frames[0], piece.view.frames[-1]) for piece in plan.pieces[1:5]] == [
        (48, 53, 72, 76),  # cajon-1: its frame 72 is song frame 48
        (53, 58, 72, 76),
        (58, 63, 72, 76),
        (63, 96, 87, 119),  # and on where it would be
    ]
    assert plan.frames == 192


def test_panels_part_the_frame_and_each_shows_its_own_frames(ready: Film) -> None:
    rows = ((Panel(source="bass-1", x=0.25), Panel(source="wide")), (Panel(source="roaming-1"),))
    shot = Shot(source="bass-1", start=96, end=144, panels=rows)
    plan = plan_master(ready.replace(width=1920, height=1080, cut=(*ready.cut[:2], shot, *ready.cut[3:])))
    views = plan.pieces[2].views
    # A gap of half a hundredth of the width, 10 pixels, both ways; what is left is parted evenly, on even pixels.
    assert [(view.source, view.box, view.centre) for view in views] == [
        ("bass-1", (0, 0, 956, 536), (0.25, 0.5)),
        ("wide", (966, 0, 954, 536), (0.5, 0.5)),
        ("roaming-1", (0, 546, 1920, 534), (0.5, 0.5)),
    ]
    assert views[1].frames == tuple(range(96, 144))
    assert views[2].frames[0] == 150  # as alone: 50 frames a second from song second 1 on
    assert plan.sources == ("wide", "cajon-1", "bass-1", "roaming-1")
    # A crop leaves panels as they are: it has nothing to frame there.
    with_panels = ready.replace(cut=(*ready.cut[:2], shot, *ready.cut[3:]))
    assert [piece.start for piece in plan_framed(with_panels, Crop(shape="1:1")).pieces] == [0, 48, 144, 168]


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"cut": ()}, "no cut yet"),
        ({"look": None}, "no look yet"),
        ({"cut": (Shot(source="wide", start=0, end=100),)}, "nothing from 00:04.17"),
        ({"cut": (Shot(source="wide", start=0, end=48), Shot(source="wide", start=72, end=192))}, "from 00:02.00"),
    ],
)
def test_what_is_missing_is_named(ready: Film, changes: dict[str, object], sentence: str) -> None:
    with pytest.raises(InvalidInput, match=sentence):
        plan_master(ready.replace(**changes))


@pytest.mark.parametrize(
    ("size", "aspect", "frame", "expected"),
    [
        ((1920, 1080), "1", (1280, 720), (0, 0, 1280, 720)),
        ((1440, 1080), "1", (1280, 720), (160, 0, 960, 720)),  # 4:3 between two black sides of 160
        ((2048, 858), "1", (1280, 720), (0, 92, 1280, 536)),  # 1280 * 858 / 2048 = 536.25
        ((1440, 1080), "4/3", (1920, 1080), (0, 0, 1920, 1080)),  # pixels a third wider than high
        ((1080, 1920), "1", (1280, 720), (436, 0, 406, 720)),  # 720 * 9 / 16 = 405
    ],
)
def test_pictures_fit_whole(
    size: tuple[int, int], aspect: str, frame: tuple[int, int], expected: tuple[int, int, int, int]
) -> None:
    assert fitted(*size, Fraction(aspect), frame) == expected


@given(st.integers(16, 5000), st.integers(16, 5000), st.integers(8, 1000), st.integers(8, 1000))
def test_fitted_pictures_stay_inside_and_even(width: int, height: int, half_wide: int, half_high: int) -> None:
    left, top, across, down = fitted(width, height, Fraction(1), (2 * half_wide, 2 * half_high))
    assert all(number % 2 == 0 for number in (left, top, across, down))
    assert 0 <= left <= left + across <= 2 * half_wide
    assert 0 <= top <= top + down <= 2 * half_high
    # Even sizes cost at most one pixel either way.
    if across < 2 * half_wide and down == 2 * half_high and across > 2:
        assert abs(across - down * width / height) <= 1
    if down < 2 * half_high and across == 2 * half_wide and down > 2:
        assert abs(down - across * height / width) <= 1


@pytest.mark.parametrize(("chroma", "steps"), [("420", (2, 2)), ("422", (2, 1)), ("444", (1, 1))])
def test_a_small_picture_lies_on_black(chroma: Chroma, steps: tuple[int, int]) -> None:
    across, down = steps
    colour = np.full((8 // down, 12 // across), 600, np.uint16)
    picture = Planes(np.full((8, 12), 700, np.uint16), colour, colour, 10, "bt709", "limited")
    assert picture.chroma == chroma
    laid = on_black([(picture, 4, 2)], (20, 12))
    assert laid.y.shape == (12, 20)
    # Black and no colour at ten bits, limited range: 64 and 512 (BT.709-6, item 4.6).
    assert (laid.y[2:10, 4:16] == 700).all()
    assert laid.y.sum() == 700 * 96 + 64 * (240 - 96)
    assert (laid.u[2 // down : 10 // down, 4 // across : 16 // across] == 600).all()
    assert laid.u[0, 0] == 512


def test_psnr_agrees_with_scikit_image() -> None:
    noise = np.random.default_rng(5)
    one = noise.integers(0, 1024, (40, 60), dtype=np.uint16)
    other = np.clip(one + noise.integers(-9, 10, one.shape), 0, 1023).astype(np.uint16)
    flat = np.full((20, 30), 512, np.uint16)
    planes = [Planes(y, flat, flat, 10, "bt709", "limited") for y in (one, other)]
    # 1e-9: rounding of double precision.
    assert psnr(*planes) == pytest.approx(peak_signal_noise_ratio(one, other, data_range=1023), abs=1e-9)
    assert psnr(planes[0], planes[0]) == float("inf")


def test_frames_of_different_depth_are_not_compared() -> None:
    y = np.zeros((4, 4), np.uint8)
    eight = Planes(y, y, y, 8, "bt709", "limited")
    ten = Planes(y, y, y, 10, "bt709", "limited")
    with pytest.raises(InvalidInput, match="different size or depth"):
        psnr(eight, ten)


def test_sampled_frames_hold_both_ends(ready: Film) -> None:
    frames = sampled_frames(plan_master(ready), 5)
    assert frames == (0, 48, 96, 143, 191)


def test_a_name_of_signs_alone_still_names_a_file() -> None:
    assert file_name("¿?") == "master"
