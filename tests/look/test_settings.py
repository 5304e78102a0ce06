"""Changes to a look as values."""

from __future__ import annotations

import pytest

from partsong.errors import InvalidInput
from partsong.film.records import Cdl, ChannelMix, Look, MediaFile, Texture
from partsong.look.settings import AS_SEEN, MIXES, OFF, TINTS, CdlWish, Wish, mix_of, revised, sentence_of, tint_of

AP1 = (0.2722287168, 0.6740817658, 0.0536895174)
LOOK = Look(config="c", display="d", view="v")
TABLE = MediaFile(path="soft.cube", size_bytes=1, fingerprint="0" * 32)


@pytest.mark.parametrize("name", [AS_SEEN, *MIXES])
def test_every_preset_keeps_grey(name: str) -> None:
    mix = mix_of(name, AP1)
    assert mix is not None
    assert mix.red + mix.green + mix.blue == pytest.approx(1, abs=1e-9)


def test_presets_do_what_their_names_say() -> None:
    def bright(name: str, light: tuple[float, float, float]) -> float:
        mix = mix_of(name, AP1)
        assert mix is not None
        return mix.red * light[0] + mix.green * light[1] + mix.blue * light[2]

    warm, green, cool = (0.4, 0.2, 0.1), (0.1, 0.3, 0.1), (0.1, 0.2, 0.4)
    assert bright("lift-warm", warm) > bright("even", warm) > bright("lift-cool", warm)
    assert bright("lift-green", green) > bright("even", green)
    assert bright("lift-cool", cool) > bright("even", cool) > bright("lift-warm", cool)
    # As seen is luminance: the second row of AP1 to XYZ (Academy S-2014-004).
    assert bright(AS_SEEN, (0.0, 1.0, 0.0)) == pytest.approx(0.6740817658)


@pytest.mark.parametrize("text", ["sepia", "1,2", "0.5,0.5,x", "0.5,0.5,0.5", "nan,0,1", "inf,0,0", ""])
def test_what_is_no_mix_is_refused(text: str) -> None:
    with pytest.raises(InvalidInput):
        mix_of(text, AP1)


def test_only_what_was_wished_for_changes() -> None:
    before = LOOK.replace(exposure_stops=1.0, black_and_white=ChannelMix(red=1.0, green=0.0, blue=0.0), table=TABLE)
    after = revised(before, Wish(contrast=1.2), config="c", luminance=AP1)
    assert after == before.replace(contrast=1.2)
    bare = revised(before, Wish(black_and_white=OFF, table=OFF, exposure_stops=0.0), config="c", luminance=AP1)
    assert bare == LOOK
    assert sentence_of(before, bare) == "Changed the look: exposure stops 0, black and white off, table off"
    assert sentence_of(before, before) == "Left the look as it was"
    assert sentence_of(None, LOOK) == "Set the look: d, v"


def test_a_new_look_asks_for_display_and_view() -> None:
    with pytest.raises(InvalidInput, match="needs --view"):
        revised(None, Wish(display="d"), config="c", luminance=AP1)
    with pytest.raises(InvalidInput, match="needs --display and --view"):
        revised(None, Wish(exposure_stops=1.0), config="c", luminance=AP1)
    assert revised(None, Wish(display="d", view="v"), config="c", luminance=AP1) == LOOK


@pytest.mark.parametrize(
    "wish",
    [
        Wish(exposure_stops=17.0),
        Wish(exposure_stops=float("nan")),
        Wish(contrast=0.0),
        Wish(pivot=-1.0),
        Wish(saturation=-0.1),
        Wish(grain_percent=11.0),
        Wish(cdl=CdlWish(slope=(0.0, 1.0, 1.0))),
        Wish(cdl=CdlWish(saturation=-1.0)),
        Wish(order=("exposure", "exposure")),
        Wish(order=("sharpen",)),
        Wish(tint="sepia"),
        Wish(tint="1,1,0/1,1,1"),
    ],
)
def test_values_out_of_range_are_refused(wish: Wish) -> None:
    with pytest.raises(InvalidInput):
        revised(LOOK, wish, config="c", luminance=AP1)


def test_an_empty_wish_knows_itself() -> None:
    assert Wish().is_empty
    assert not Wish(exposure_stops=0.0).is_empty


def test_a_grade_changes_by_what_was_named_and_vanishes_when_it_does_nothing() -> None:
    once = revised(LOOK, Wish(cdl=CdlWish(slope=(1.2, 1.0, 0.9))), config="c", luminance=AP1)
    twice = revised(once, Wish(cdl=CdlWish(saturation=0.8)), config="c", luminance=AP1)
    assert twice.cdl == Cdl(slope=(1.2, 1.0, 0.9), saturation=0.8)
    assert sentence_of(once, twice) == "Changed the look: cdl slope 1.2 1 0.9, saturation 0.8"
    plain = CdlWish(slope=(1.0, 1.0, 1.0), saturation=1.0)
    assert revised(twice, Wish(cdl=plain), config="c", luminance=AP1) == LOOK
    assert revised(twice, Wish(cdl=OFF), config="c", luminance=AP1) == LOOK


def test_the_order_of_the_steps_is_a_setting() -> None:
    after = revised(LOOK, Wish(order=("colour",)), config="c", luminance=AP1)
    assert after.order == ("colour", "exposure", "cdl", "contrast", "tint")
    assert sentence_of(LOOK, after) == "Changed the look: order colour, exposure, cdl, contrast, tint"


def test_texture_is_off_until_some_is_asked_for() -> None:
    assert LOOK.texture is None
    after = revised(LOOK, Wish(grain_percent=1.5), config="c", luminance=AP1)
    assert after.texture == Texture(grain_percent=1.5)
    assert revised(after, Wish(grain_percent=0.0), config="c", luminance=AP1).texture is None


def test_the_encoding_of_a_table_goes_with_the_table() -> None:
    before = LOOK.replace(table=TABLE, table_space="ACEScct")
    assert revised(before, Wish(contrast=1.1), config="c", luminance=AP1).table_space == "ACEScct"
    assert revised(before, Wish(table_space=OFF), config="c", luminance=AP1).table_space is None
    assert revised(before, Wish(table=OFF), config="c", luminance=AP1) == LOOK


def test_every_tint_by_name_is_read() -> None:
    for name in TINTS:
        assert tint_of(name) == TINTS[name]
    assert tint_of(OFF) is None
