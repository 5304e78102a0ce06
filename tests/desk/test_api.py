"""What the routes do, called as the server calls them."""

from __future__ import annotations

import asyncio
import threading
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction

import numpy as np
import pytest
import soundfile

from partsong.desk import openapi
from partsong.desk.api import film, lineup, shoot, signoff
from partsong.desk.app import ROUTES, _events
from partsong.desk.jobs import Jobs
from partsong.desk.routes import Edit
from partsong.desk.waves import drawn
from partsong.errors import Conflict, InvalidInput, NoSuchRecord
from partsong.film.store import FilmStore


def start_of(desk, take):
    return desk.head().film.placement_of(take).start


def test_the_state_of_the_film_is_told_in_words(desk):
    now = film.now(desk)
    states = {one.phase: one for one in now.phases}
    assert states["lineup"].state == "1 of 2 takes placed, 1 to ask"
    assert states["lineup"].to_decide
    assert now.next.phase == "lineup"
    assert "needs your ear" in now.next.sentence


def test_another_take_is_chosen_for_the_reference(desk):
    assert shoot.prints(desk).reference == "drum-1"
    done = shoot.take_for_reference(desk, "bell-1", Edit(base=desk.head().revision.number))
    assert done.revision == desk.head().revision.number
    assert shoot.prints(desk).reference == "bell-1"


def test_beside_the_verdicts_stands_what_to_mind_before_striking(desk):
    told = shoot.prints(desk)
    assert [one.title for one in told.cautions] == ["Lights overhead", "Hot lamps", "Cables", "Hearing"]
    assert all(one.source for one in told.cautions)
    assert "NIOSH Publication 98-126" in told.cautions[-1].source
    assert "follow the rules of the place" in told.rules


def test_a_nudge_moves_by_exactly_a_frame_and_undo_takes_it_back(desk):
    base = desk.head().revision.number
    done = lineup.nudge(desk, "drum-1", lineup.Nudge(base=base, frames=1))
    assert start_of(desk, "drum-1").seconds == Fraction(1, 25)
    lineup.nudge(desk, "drum-1", lineup.Nudge(base=done.revision, ms=-2.5))
    assert start_of(desk, "drum-1").seconds == Fraction(1, 25) - Fraction(5, 2000)
    film.undo(desk, Edit(base=desk.head().revision.number))
    film.undo(desk, Edit(base=desk.head().revision.number))
    assert start_of(desk, "drum-1").seconds == 0
    film.redo(desk, Edit(base=desk.head().revision.number))
    assert start_of(desk, "drum-1").seconds == Fraction(1, 25)


def test_a_change_of_what_the_page_no_longer_shows_is_refused(desk):
    base = desk.head().revision.number
    lineup.refuse(desk, "drum-1", Edit(base=base))
    with pytest.raises(Conflict, match="changed elsewhere"):
        lineup.nudge(desk, "drum-1", lineup.Nudge(base=base, frames=1))
    assert start_of(desk, "drum-1") is None


def test_a_change_by_the_command_line_is_followed(desk, tools):
    with FilmStore.open(desk.folder.root) as store:
        made = store.change("Renamed", lambda one: one.replace(name="Other")).revision.number
    assert tools.waited(lambda: desk.revision == made)
    assert desk.head().film.name == "Other"


def test_a_candidate_is_accepted_by_its_number(desk):
    score = lineup.score(desk)
    row = next(one for one in score.rows if one.take == "bell-1")
    assert row.to_decide
    assert [one.start_s for one in row.candidates] == [0.2, 0.0]
    lineup.accept(desk, "bell-1", lineup.Accept(base=score.revision, candidate=2))
    # The sound of the clip is the song itself, heard at once by a camera whose distance nobody gave: it is measured
    # against the song, to which it lies within a sample of 16 kHz.
    found = desk.head().film.placement_of("bell-1")
    assert found.confidence == "sure"
    assert float(found.start) == pytest.approx(float(found.arrival_delay), abs=1 / 16000)
    with pytest.raises(InvalidInput, match="no candidate 7"):
        lineup.accept(desk, "bell-1", lineup.Accept(base=desk.head().revision.number, candidate=7))
    with pytest.raises(InvalidInput, match="either a candidate or a start"):
        lineup.accept(desk, "bell-1", lineup.Accept(base=desk.head().revision.number))


def test_waveforms_stand_where_the_strikes_are(desk, tools):
    heights = np.frombuffer(lineup.song_wave(desk).read_bytes(), np.uint8)
    for at_s in tools.strikes_s:
        before, after = heights[round(at_s * 1000) - 5], heights[round(at_s * 1000) : round(at_s * 1000) + 5]
        assert after.max() > 200  # a strike is near the loudest
        assert before < 60  # and what came before it has died away
    assert lineup.song_wave(desk) == lineup.song_wave(desk)


def test_heights_of_silence_are_zero():
    assert drawn(np.zeros(5, np.float32)).tolist() == [0] * 5
    assert drawn(np.zeros(0, np.float32)).size == 0


def test_listening_has_the_song_left_and_the_take_right(desk):
    path = lineup.listen(desk, "drum-1", lineup.Stretch(at=0.2, length=1.0))
    sound, rate = soundfile.read(path)
    assert (rate, sound.shape) == (48000, (48000, 2))
    # The clip's sound is the song's; the camera format's sound is lossless here or nearly so.
    assert np.corrcoef(sound[:, 0], sound[:, 1])[0, 1] > 0.95
    with pytest.raises(InvalidInput, match="no place"):
        lineup.listen(desk, "bell-1", lineup.Stretch(at=0))


def test_names_that_the_film_does_not_hold_are_refused(desk):
    for call in (
        lambda: lineup.take_wave(desk, "nobody"),
        lambda: signoff.master(desk, "film.db"),
        lambda: film.cancel(desk, "masters"),
    ):
        with pytest.raises(NoSuchRecord):
            call()


def test_one_job_of_a_kind_at_a_time_and_cancel(tools):
    jobs, go = Jobs(), threading.Event()

    def work(watch):
        while not go.wait(0.01):
            watch.tick("Waiting", 1, 4)
        return "Waited."

    jobs.start("wait", "Waiting", work)
    with pytest.raises(Conflict, match="already running"):
        jobs.start("wait", "Waiting", work)
    assert tools.waited(lambda: jobs.all()[0].done == 1)
    assert jobs.all()[0].left_s is not None
    jobs.cancel("wait")
    assert tools.waited(lambda: jobs.all()[0].state == "cancelled")
    go.set()
    jobs.start("wait", "Waiting", work)
    assert tools.waited(lambda: jobs.all()[0].state == "done")
    assert jobs.all()[0].sentence == "Waited."
    jobs.close()


def test_a_job_that_ends_as_the_one_before_is_told_all_the_same(desk, tools):
    """Between two looks a job may begin and end like the last: the page waits for word of it."""

    async def heard() -> list[str]:
        events, told = _events(desk), []
        for _ in range(2):
            desk.jobs.start("same", "Doing the same", lambda _watch: "Done.")
            assert tools.waited(lambda: desk.jobs.all()[0].state == "done")
            told.append(await asyncio.wait_for(anext(events), 10))
        return told

    with ThreadPoolExecutor(1) as apart:  # this thread may have a browser's loop already
        first, second = apart.submit(lambda: asyncio.run(heard())).result()
    assert '"number": 1, "state": "done"' in first
    assert '"number": 2, "state": "done"' in second


def test_a_job_that_fails_says_why(tools):
    jobs = Jobs()

    def refused(watch):
        raise InvalidInput("The film has no song.")

    jobs.start("fail", "Failing", refused)
    assert tools.waited(lambda: jobs.all()[0].state == "failed")
    assert jobs.all()[0].sentence == "The film has no song."
    jobs.close()


def test_the_api_describes_every_route_of_the_table():
    described = openapi.document(ROUTES)
    assert described["openapi"] == "3.1.0"
    told = {(method.upper(), path) for path, methods in described["paths"].items() for method in methods}
    assert told == {(route.method, route.path) for route in ROUTES}
    names = [one["operationId"] for methods in described["paths"].values() for one in methods.values()]
    assert len(set(names)) == len(names)

    def references(value):
        if isinstance(value, dict):
            yield from [value["$ref"]] if "$ref" in value else []
            for each in value.values():
                yield from references(each)
        elif isinstance(value, list):
            for each in value:
                yield from references(each)

    schemas = described["components"]["schemas"]
    assert {ref.removeprefix("#/components/schemas/") for ref in references(described)} <= set(schemas)
