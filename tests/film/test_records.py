from __future__ import annotations

import json

import pytest
from pydantic import ValidationError

from partsong.errors import InvalidInput, NoSuchRecord, NotAFilm
from partsong.film.migrations import bring_up
from partsong.film.records import (
    WIDE,
    BlackCurve,
    Cdl,
    ChannelMix,
    Clip,
    Film,
    Look,
    Match,
    MediaFile,
    Part,
    PictureInfo,
    Placement,
    Shot,
    Stage,
    Take,
    TempoMark,
)
from partsong.film.summary import PHASES, phase_states
from partsong.timebase import Rate, Time

FILE = MediaFile(path="a.mov", size_bytes=1, fingerprint="0" * 32)
PICTURE = PictureInfo(
    codec="hevc", width=8, height=8, rate=Rate.of(25), frames=10, pixel_format="yuv420p10le", bit_depth=10
)
CLIP = Clip(file=FILE, container="mov", duration=Time(ticks=19200), picture=PICTURE)
BASS = Part(id="bass", name="Bass")
TAKE = Take(id="bass-1", kind="stage", part="bass", clip=CLIP)


def test_records_cannot_be_changed_in_place():
    with pytest.raises(ValidationError, match="frozen"):
        BASS.name = "Tuba"


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Film(name="x", parts=(BASS, BASS)), "two entries for part 'bass'"),
        (lambda: Film(name="x", takes=(TAKE,)), "no part 'bass'"),
        (lambda: Film(name="x", placements=(Placement(take="gone", confidence="none"),)), "no take 'gone'"),
        (lambda: Film(name="x", stage=Stage(order=("gone",))), "no take 'gone'"),
        (lambda: Film(name="x", cut=(Shot(source=WIDE, start=0, end=1),)), "needs the film's frame rate"),
        (
            lambda: Film(
                name="x", rate=Rate.of(25), cut=(Shot(source=WIDE, start=5, end=9), Shot(source=WIDE, start=8, end=12))
            ),
            "overlap or are out of order",
        ),
        (lambda: Film(name="x", parts=(BASS,), takes=(TAKE.replace(id="wide"),)), "no take may be called"),
        (lambda: Shot(source=WIDE, start=3, end=3), "must end after it starts"),
        (lambda: Take(id="a", kind="stage", clip=CLIP), "needs a part"),
        (lambda: Take(id="a", kind="roaming", clip=CLIP.replace(picture=None)), "needs picture"),
        (lambda: Placement(take="a", confidence="sure"), "needs a start"),
        (lambda: Placement(take="a", confidence="none", start=Time(ticks=0)), "has no start"),
        (lambda: ChannelMix(red=0.5, green=0.5, blue=0.5), "must sum to 1"),
        (lambda: Part(id="Bass!", name="x"), "match pattern"),
        (lambda: Part(id="bass", name="x", distance_m=float("nan")), "finite number|greater than 0"),
        (lambda: Time(ticks=0.5), "valid integer"),
    ],
)
def test_a_document_that_contradicts_itself_is_refused(make, message):
    with pytest.raises((ValidationError, InvalidInput), match=message):
        make()


def test_replace_answers_in_one_sentence():
    film = Film(name="x", parts=(BASS,))
    with pytest.raises(InvalidInput) as caught:
        film.replace(parts=(BASS, BASS))
    assert str(caught.value) == "there are two entries for part 'bass'"


def test_a_film_survives_json_exactly():
    film = Film(name="x", parts=(BASS,), takes=(TAKE,), placements=(
        Placement(take="bass-1", confidence="ask", drift_ppm=0.1 + 0.2),
    ))  # fmt: skip
    assert Film.model_validate_json(film.model_dump_json()) == film


def test_an_unknown_name_lists_the_known_ones():
    with pytest.raises(NoSuchRecord, match=r"no part 'tuba'\. It has: bass"):
        Film(name="x", parts=(BASS,)).part("tuba")


def test_stage_takes_come_in_score_order():
    reed = Part(id="reed", name="Reed")
    film = Film(name="x", parts=(reed, BASS), takes=(TAKE, TAKE.replace(id="reed-1", part="reed")))
    assert [take.id for take in film.stage_takes()] == ["reed-1", "bass-1"]


def test_tempo_marks_know_the_length_of_a_beat():
    assert TempoMark(bar=1, at=Time(ticks=0), bpm_num=184, bpm_den=2).beat_s * 92 == 60


def test_a_stage_take_is_graded_by_its_match_and_a_roaming_one_by_itself():
    grade = Cdl(slope=(1.1, 1.0, 0.9), offset=(0.01, 0.0, 0.0))
    with pytest.raises(InvalidInput, match="a stage take's grade is its match"):
        TAKE.replace(grade=grade)
    close = Take(id="close-1", kind="roaming", clip=CLIP, grade=grade)
    stage = Stage(matches=(Match(take="bass-1", gain=(1.2, 1.0, 0.9), known=True),))
    film = Film(name="x", parts=(BASS,), takes=(TAKE, close), stage=stage)
    assert film.grade_of("bass-1") == Cdl(slope=(1.2, 1.0, 0.9))
    assert film.grade_of("close-1") == grade
    assert film.replace(stage=Stage()).grade_of("bass-1") is None
    assert Cdl(slope=(1.2, 1.0, 0.9)).is_gain
    assert not grade.is_gain
    assert Film.model_validate_json(film.model_dump_json()) == film


def test_a_look_names_each_step_in_light_once_and_its_black_lies_below_what_it_keeps():
    look = Look(config="c", display="d", view="v")
    with pytest.raises(InvalidInput, match="the order must name each of exposure, cdl, contrast, colour, tint once"):
        look.replace(order=("exposure", "cdl", "contrast", "colour"))
    with pytest.raises(ValidationError, match=r"a black level of 40\.00 % cannot keep 39\.00 %"):
        BlackCurve(level=(0.1, 0.4, 0.1), keep=(0.39, 0.39, 0.39))


def test_every_phase_says_its_state_in_words():
    states = phase_states(Film(name="x", parts=(BASS,), takes=(TAKE,)))
    assert [phase for phase, _ in states] == list(PHASES)
    assert dict(states)["lineup"] == "0 of 1 take placed"


def test_migrations_bring_a_document_up_step_by_step():
    steps = {1: lambda d: {"renamed": d["old"]}, 2: lambda d: {**d, "added": True}}
    assert bring_up({"schema_version": 1, "old": "x"}, to=3, steps=steps) == {
        "schema_version": 3,
        "renamed": "x",
        "added": True,
    }


def test_a_film_of_before_says_of_each_delay_where_it_is_from():
    none = Placement(take=TAKE.id, confidence="none")
    old = Film(name="x", parts=(BASS,), takes=(TAKE,), placements=(none,)).model_dump(mode="json")
    (placement,) = old["placements"]
    del placement["delay_from"]
    for known, rests_on in ((True, "measured"), (False, "assumed")):
        document = {**old, "schema_version": 1, "placements": [{**placement, "delay_known": known}]}
        new = Film.model_validate_json(json.dumps(bring_up(document)))
        assert new.placements[0].delay_from == rests_on


@pytest.mark.parametrize(
    ("document", "message"),
    [({}, "no schema version"), ({"schema_version": 9}, "newer Partsong"), ({"schema_version": 2}, "No migration")],
)
def test_documents_that_cannot_be_brought_up_are_refused(document, message):
    with pytest.raises(NotAFilm, match=message):
        bring_up(document, to=3, steps={1: dict})
