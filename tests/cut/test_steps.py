"""Tempo, proposal and table through the store, and the commands around them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from partsong.cli.cut import app
from partsong.cut import steps
from partsong.errors import Conflict, InvalidInput, NoSuchRecord
from partsong.film.coverage import placed_takes, song_frames
from partsong.film.records import WIDE, Film
from partsong.film.store import FilmStore


def test_a_proposal_is_whole_shows_the_takes_and_can_be_undone(store: FilmStore) -> None:
    head = steps.propose_cut(store, seed=1)
    film = head.film
    assert head.revision.sentence == f"Proposed a cut of {len(film.cut)} shots (seed 1)"
    assert film.cut[0].start == 0
    assert film.cut[-1].end == song_frames(film)
    shown = {shot.source for shot in film.cut}
    assert shown == {WIDE, "bass-close", "melodica-close"}
    by_name = {placed.take.id: placed for placed in placed_takes(film)}
    for shot in film.cut:
        if shot.source != WIDE:
            placed = by_name[shot.source]
            own = [placed.source_frame(frame) for frame in (shot.start, shot.end - 1)]
            assert 0 <= own[0] <= own[1] < placed.take.picture.frames
    assert store.undo().film.cut == ()


def test_a_printed_table_comes_back_unchanged_and_makes_no_revision(store: FilmStore) -> None:
    head = steps.propose_cut(store, seed=1)
    again = steps.edit_cut(store, steps.cut_text(store), "cut.txt")
    assert again.revision.number == head.revision.number


def test_an_edit_is_kept(store: FilmStore) -> None:
    steps.propose_cut(store, seed=1)
    revision = store.head().revision.number
    head = steps.edit_cut(store, f"# revision {revision}\n1.1 wide\n6.2 bass-close\n9.1 wide\n", "cut.txt")
    assert [shot.source for shot in head.film.cut] == [WIDE, "bass-close", WIDE]
    assert head.revision.sentence == "Edited the cut: 3 shots"


def test_an_edit_of_an_older_cut_is_a_conflict_and_loses_nothing(store: FilmStore, tmp_path: Path) -> None:
    steps.propose_cut(store, seed=1)
    text = steps.cut_text(store)
    table = tmp_path / "cut.txt"
    table.write_text(text.replace("wide", "wide  # mine"), encoding="utf-8")
    before = table.read_bytes()
    theirs = steps.edit_cut(store, text.splitlines()[0] + "\n1.1 wide\n", "theirs")
    with pytest.raises(Conflict, match=r"cut changed since revision 2, which cut\.txt was printed from"):
        steps.edit_cut(store, table.read_text(encoding="utf-8"), table.name)
    assert store.head() == theirs
    assert table.read_bytes() == before


def test_changes_elsewhere_in_the_film_are_no_conflict_but_a_new_tempo_is(store: FilmStore) -> None:
    steps.propose_cut(store, seed=1)
    text = steps.cut_text(store)
    store.change("Noted", lambda film: film.replace(name="Another name"))
    steps.edit_cut(store, text, "cut.txt")
    steps.set_tempo(store, bpm="93", beats_per_bar=None, bar_one_s=None, from_bar=1, sections=())
    with pytest.raises(Conflict, match=r"tempo map changed.*write revision 4 in its first line"):
        steps.edit_cut(store, text, "cut.txt")
    # Said so in its first line, the table is read on the new bar lines.
    head = steps.edit_cut(store, text.replace("revision 2", "revision 4"), "cut.txt")
    assert steps.shot_rows(head.film)[1].place == text.splitlines()[2].split()[0]


def test_a_table_without_a_revision_is_taken_only_where_there_is_no_cut(store: FilmStore) -> None:
    steps.edit_cut(store, "1.1 wide\n", "mine.txt")
    with pytest.raises(InvalidInput, match="does not say which revision"):
        steps.edit_cut(store, "1.1 wide\n5.1 -\n", "mine.txt")
    with pytest.raises(NoSuchRecord, match="no revision 99"):
        steps.edit_cut(store, "# revision 99\n1.1 wide\n", "mine.txt")


def test_the_tempo_keeps_what_is_not_named(store: FilmStore) -> None:
    head = steps.set_tempo(store, bpm="92.5", beats_per_bar=None, bar_one_s="0.25", from_bar=1, sections=())
    song = head.film.song
    assert song is not None
    (mark,) = song.tempo
    assert (mark.bpm_num, mark.bpm_den, mark.beats_per_bar, float(mark.at)) == (185, 2, 3, 0.25)
    assert [section.name for section in song.sections] == ["verse", "chorus"]
    head = steps.set_tempo(store, bpm=None, beats_per_bar=None, bar_one_s=None, from_bar=1, sections=["coda=29"])
    assert head.film.song is not None
    assert head.film.song.tempo == song.tempo
    with pytest.raises(InvalidInput, match="Give --bpm"):
        steps.set_tempo(store, bpm=None, beats_per_bar=3, bar_one_s=None, from_bar=1, sections=())


def test_a_section_that_begins_after_the_song_is_refused(store: FilmStore) -> None:
    before = store.head()
    with pytest.raises(InvalidInput, match=r"Section 'coda' would begin at bar 999, .* into a song that lasts"):
        steps.set_tempo(store, bpm=None, beats_per_bar=None, bar_one_s=None, from_bar=1, sections=["coda=999"])
    assert store.head() == before


def test_a_film_without_a_song_says_so(tmp_path: Path) -> None:
    with FilmStore.create(tmp_path / "empty", Film(name="x"), "Began") as empty:
        with pytest.raises(InvalidInput, match="no song yet"):
            steps.propose_cut(empty, seed=0)
        with pytest.raises(InvalidInput, match="needs a song"):
            steps.cut_text(empty)


def test_the_commands_go_round(store: FilmStore, tmp_path: Path) -> None:
    film = str(store.folder.root)
    run = CliRunner()

    def output(*words: str, given: str | None = None) -> str:
        result = run.invoke(app, list(words), input=given, catch_exceptions=False)
        assert result.exit_code == 0, result.output
        return result.output

    assert "verse from bar 5" in output("tempo", film)
    proposed = output("propose", film, "--seed", "2")
    assert "bass-close covers bars" in proposed
    text = output("show", film)
    assert output("edit", film, "-", given=text).endswith(f"(revision {store.head().revision.number}).\n")
    (tmp_path / "t.txt").write_text(text)
    assert "shots" in output("edit", film, str(tmp_path / "t.txt"))
    rows: Any = json.loads(output("show", film, "--json"))["shots"]
    assert [row["source"] for row in rows] == [shot.source for shot in store.head().film.cut]
    with pytest.raises(InvalidInput, match="cannot be read"):
        run.invoke(app, ["edit", film, str(tmp_path / "none.txt")], catch_exceptions=False)
