"""What folders and file names say, and when to ask. The names are ours; each is a case somebody may meet."""

from __future__ import annotations

from pathlib import PurePath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.film.records import Part
from partsong.shoot.intake import Asked, guess, natural_order
from partsong.shoot.names import folded, part_id, slug, words_of

PARTS = (
    Part(id="cajon", name="cajón"),
    Part(id="upright-bass", name="upright bass"),
    Part(id="harmonium", name="harmonium"),
    Part(id="bass", name="bass"),
    Part(id="violin-2", name="Violin 2"),
)
NOTHING = Asked()


@pytest.mark.parametrize(
    ("path", "kind", "part"),
    [
        ("01 cajon/locked-off/clip_0003", "stage", "cajon"),
        ("01 Cajón/LOCKED OFF/clip_0003", "stage", "cajon"),
        ("01 cajo\N{COMBINING ACUTE ACCENT}n/wide/a", "stage", "cajon"),  # decomposed, as some systems store it
        ("02_upright_bass/stage/a", "stage", "upright-bass"),  # not also "bass"
        ("harmonium-wide-02", "stage", "harmonium"),
        ("violin 02/wide/a", "stage", "violin-2"),
        ("wide/bass_01", "stage", "bass"),
        ("b-roll/a", "roaming", None),
        ("roaming/harmonium_hands", "roaming", "harmonium"),
        ("day 1/coverage/banjo/a", "roaming", None),  # coverage needs no part
        ("wide/details/cajon", "roaming", "cajon"),  # the innermost name decides
        ("plates/cajon", "plate", "cajon"),
        ("room/a", "plate", None),
        ("ambient", "plate", None),
        ("living room/cajon/wide/a", "stage", "cajon"),  # a place, not a plate
    ],
)
def test_clear_names_are_understood(path: str, kind: str, part: str | None) -> None:
    found = guess(path.split("/"), PARTS, NOTHING)
    assert (found.kind, found.part, found.question) == (kind, part, "")


@pytest.mark.parametrize(
    ("path", "question", "answer"),
    [
        ("01 cajon/clip_0003", "locked-off camera", "--kind stage"),
        ("wide/clip_0003", "which part", "--part cajon or --part upright-bass"),
        ("06 banjo/locked-off/a", "is 'banjo' a new part", '--new-part "banjo"'),
        ("cajon and harmonium/wide/a", "cajón and harmonium", "--part cajon or --part harmonium"),
        ("cajon/wide/harmonium_3", "cajón and harmonium", "--part cajon"),
        ("cajon/wide handheld/a", "roaming and stage", "--kind"),
        ("cajonito/wide/a", "is 'cajonito' a new part", '--new-part "cajonito"'),  # whole words only
        ("living room/clip", "locked-off camera", "--kind"),
        ("violin/wide/a", "is 'violin' a new part", "--part"),
    ],
)
def test_unclear_names_are_asked_about(path: str, question: str, answer: str) -> None:
    found = guess(path.split("/"), PARTS, NOTHING)
    assert question in found.question
    assert answer in found.answer


def test_options_answer_what_the_names_leave_open() -> None:
    said = Asked(part="harmonium", kind="stage")
    assert guess(["card 1", "C0007"], PARTS, said).question == ""
    assert guess(["card 1", "C0007"], PARTS, said).part == "harmonium"
    both = guess(["cajon and harmonium", "wide"], PARTS, Asked(part="cajon"))
    assert (both.part, both.question) == ("cajon", "")


def test_options_that_contradict_the_names_are_questions() -> None:
    assert "--kind says stage" in guess(["roaming", "a"], PARTS, Asked(kind="stage")).question
    assert "--part says cajón" in guess(["harmonium", "wide", "a"], PARTS, Asked(part="cajon")).question


def test_a_film_without_parts_asks_for_the_first() -> None:
    assert guess(["wide", "a"], (), NOTHING).answer == '--new-part "NAME"'


@given(st.lists(st.text(max_size=20), min_size=1, max_size=4))
def test_any_name_gives_a_usable_answer_or_a_question(names: list[str]) -> None:
    found = guess(names, PARTS, NOTHING)
    clear = found.kind is not None and (found.kind != "stage" or found.part is not None)
    assert clear == (found.question == "")
    assert bool(found.question) == bool(found.answer)


def test_clips_are_taken_in_the_order_of_their_numbers() -> None:
    paths = [PurePath("b/clip_10"), PurePath("b/clip_9"), PurePath("a/clip_11")]
    assert [path.name for path in sorted(paths, key=natural_order)] == ["clip_11", "clip_9", "clip_10"]


@given(st.text(max_size=40))
def test_ids_are_plain_and_never_empty(name: str) -> None:
    made = part_id(name, 7)
    assert made
    assert made == made.lower()
    Part(id=made, name="any")  # the record holds ids to its pattern


def test_names_without_ascii_letters_are_numbered() -> None:
    assert part_id("尺八", 3) == "part-3"
    assert slug("Đàn tranh") == "dan-tranh"
    assert folded("GROẞE Trommel") == "grosse trommel"
    assert words_of("03-Flöte_2b") == ("3", "flote", "2", "b")
