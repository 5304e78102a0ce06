"""Effects in time with the music: where their moments lie, what they flash, and what is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from partsong.cli.cut import app
from partsong.cut import effects, steps
from partsong.errors import InvalidInput
from partsong.film.records import Film, Leak, Stutter, TempoMark
from partsong.film.store import FilmStore
from partsong.timebase import Time


def test_dips_come_on_the_beat(waltz: Film) -> None:
    # 92 beats a minute at 24 frames a second: a beat is 15.652 frames. Bar 9 begins at beat 24: frame 375.65.
    made = effects.flicker(waltz, 376, 423, every="1", depth_stops=0.5)
    assert made.dips == (376, 391, 407)
    assert effects.flicker(waltz, 376, 423, every="1/2", depth_stops=0.5).dips == (376, 383, 391, 399, 407, 415)


def test_beats_are_counted_over_a_change_of_tempo(make_film: Callable[..., Film]) -> None:
    film = make_film(bpm=120, beats=3, bars=8)
    assert film.song is not None
    # Bar 3 begins at 3 s; from there on a beat lasts a second instead of half of one, and a bar has four.
    later = TempoMark(bar=3, at=Time.of(Fraction(3)), beats_per_bar=4, bpm_num=60)
    film = film.replace(song=film.song.replace(tempo=(*film.song.tempo, later)))
    made = effects.stutter(film, 48, 24 * 7, every="1")  # from beat 2 of bar 2, at 2 s
    assert made.again == (60, 72, 96, 120, 144)


def test_flashing_is_counted_before_it_is_seen(waltz: Film) -> None:
    slow = effects.added(waltz, effects.flicker(waltz, 376, 470, every="1", depth_stops=1.0))
    told = effects.meter(slow)
    assert told.flashes == 2  # 1.53 beats a second: two dips fall into some seconds
    assert not told.fails
    assert told.sentence == "By themselves the effects flash twice in a second, about bar 9; up to 3 are allowed."
    quick = effects.flicker(waltz, 376, 470, every="1/4", depth_stops=1.0)
    with pytest.raises(InvalidInput, match=r"too much\. Flashing pictures can trigger seizures .* --anyway"):
        effects.added(slow, quick)
    shown = effects.added(slow, quick, anyway=True)
    assert effects.meter(shown).fails
    # What is there already does not keep from adding what is harmless.
    assert len(effects.added(shown, Leak(start=10, end=90)).effects) == 3
    assert effects.meter(waltz).sentence == "The effects do not flash by themselves."


def test_effects_are_in_order_and_can_be_taken_away(waltz: Film) -> None:
    one = effects.added(effects.added(waltz, Leak(start=400, end=500)), Stutter(start=100, end=130, again=(115,)))
    assert [effect.kind for effect in one.effects] == ["stutter", "leak"]
    assert [effect.kind for effect in effects.removed(one, 1).effects] == ["leak"]
    with pytest.raises(InvalidInput, match="There is no effect 3"):
        effects.removed(one, 3)


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        (lambda film: effects.flicker(film, 20, 20, every="1", depth_stops=1.0), "must end after it begins"),
        (lambda film: effects.flicker(film, 20, 9999, every="1", depth_stops=1.0), "the song has 1503 frames"),
        (lambda film: effects.flicker(film, 20, 60, every="1", depth_stops=0.0), "above 0, up to 6"),
        (lambda film: effects.flicker(film, 20, 60, every="1/99", depth_stops=1.0), "less than a frame"),
        (lambda film: effects.flicker(film, 20, 60, every="0", depth_stops=1.0), "out of range"),
        (lambda film: effects.flicker(film, 20, 60, every="often", depth_stops=1.0), "not a number"),
        (lambda film: effects.stutter(film, 20, 30, every="1"), "no time to begin anew every 1 beats"),
        (lambda film: effects.leak(film, 20, 60, reach=3.0), "reach of 3 is out of range"),
        (lambda film: effects.leak(film, 20, 60, colour=(1.0, 2.0, 0.0)), "colour of 2 is out of range"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_named(waltz: Film, wrong: Any, sentence: str) -> None:
    with pytest.raises(InvalidInput, match=sentence):
        wrong(waltz)


def test_without_a_tempo_map_nothing_comes_on_a_beat(waltz: Film) -> None:
    assert waltz.song is not None
    bare = waltz.replace(song=waltz.song.replace(tempo=(), sections=()))
    with pytest.raises(InvalidInput, match="no tempo map"):
        effects.flicker(bare, 20, 60, every="1", depth_stops=1.0)
    assert effects.leak(bare, 20, 60).end == 60


def test_the_commands_add_list_and_take_away(store: FilmStore, tmp_path: Path) -> None:
    film = str(store.folder.root)
    steps.propose_cut(store, seed=1)

    def output(*words: str) -> str:
        result = CliRunner().invoke(app, list(words), catch_exceptions=False)
        assert result.exit_code == 0, result.output
        return result.output

    assert "There are no effects" in output("effects", film)
    output("flicker", film, "--from", "9.1", "--to", "10.1", "--depth", "0.5")
    assert store.head().revision.sentence == "Added from 9.1: flicker, 3 dips of 0.5 stops"
    output("stutter", film, "--from", "4.3", "--to", "5.1", "--every", "1/2")
    listed = output("leak", film, "--from", "17.1", "--to", "@901", "--side", "left", "--colour", "0.5,0.2,0.1")
    assert [line.split()[:3] for line in listed.splitlines()[1:4]] == [
        ["1", "4.3", "5.1"],
        ["2", "9.1", "10.1"],
        ["3", "17.1", "@901"],
    ]
    assert "up to 3 are allowed" in listed
    told = json.loads(output("effects", film, "--remove", "1", "--json"))
    assert [row["told"] for row in told["effects"]] == ["flicker, 3 dips of 0.5 stops", "light leak from the left"]
    assert told["flashing"]["fails"] is False
    assert store.head().revision.sentence == "Took away from 4.3: stutter, once again"
    assert len(store.undo().film.effects) == 3
    output("flicker", film, "--from", "21.1", "--to", "23.1", "--every", "1/4", "--depth", "1", "--anyway")
    result = CliRunner().invoke(app, ["effects", film])
    assert result.exit_code == 1
    assert "more than 3 is too much" in result.output
    assert "seizures" in result.output
    for words, sentence in (
        (("flicker", film, "--from", "9.7", "--to", "10.1"), "--from: bar 9 has the beats 1 to 3, not 7"),
        (("leak", film, "--from", "9.1", "--to", "10.1", "--side", "under"), "no side 'under'"),
        (("leak", film, "--from", "9.1", "--to", "10.1", "--colour", "red"), "'red' is no colour"),
    ):
        with pytest.raises(InvalidInput, match=sentence):
            CliRunner().invoke(app, list(words), catch_exceptions=False)
