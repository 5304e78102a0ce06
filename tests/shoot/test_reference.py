"""Which take the others are held against, and choosing another one."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from partsong.cli.main import app
from partsong.errors import InvalidInput
from partsong.film.records import Film, Finding, Judgement, Mask, Oval, Pose, PoseKey, Registration, Stage, Take
from partsong.film.store import FilmStore
from partsong.media.probe import probe
from partsong.shoot.reference import reference_of, set_reference

from .conftest import write_clip


@pytest.fixture
def judged(tmp_path: Path, film: Path) -> Path:
    """Return a film of two stage takes and coverage, held against the first, with an oval and a registration."""
    with FilmStore.open(film) as store:
        clips = [probe(path, store.folder.refer(path)) for path in (
            write_clip(tmp_path / f"clips/{number}.mov", seed=number) for number in range(3)
        )]  # fmt: skip
        takes = (
            Take(id="cajon-1", kind="stage", part="cajon", clip=clips[0]),
            Take(id="cajon-2", kind="stage", part="cajon", clip=clips[1]),
            Take(id="roaming-1", kind="roaming", clip=clips[2]),
        )
        stage = Stage(
            order=("cajon-1", "cajon-2"),
            masks=(Mask(take="cajon-2", shape=Oval(x=20, y=20, rx=9, ry=9), feather_px=4),),
            registrations=(Registration(take="cajon-2", keys=(PoseKey(frame=0, pose=Pose(dx_px=1.0)),)),),
        )
        finding = Finding(
            take="cajon-2", kind="camera moved", sentence="It moved.", advice="Look.", verdict="look first"
        )
        judgements = (Judgement(take="cajon-2", verdict="look first", sentence="It moved."),)

        def edit(newest: Film) -> Film:
            return newest.replace(takes=takes, stage=stage, findings=(finding,), judgements=judgements)

        store.change("Judged", edit)
    return film


def test_another_reference_takes_what_hung_on_the_one_before_with_it_and_undo_brings_it_back(judged: Path) -> None:
    with FilmStore.open(judged) as store:
        before = store.head().film
        assert reference_of(before) == before.take("cajon-1")
        after = set_reference(store, "cajon-2").film
        assert reference_of(after) == before.take("cajon-2")
        assert (after.findings, after.judgements, after.stage.registrations) == ((), (), ())
        assert after.stage.masks == before.stage.masks
        assert store.undo().film == before


def test_choosing_the_one_that_it_was_keeps_all(judged: Path) -> None:
    with FilmStore.open(judged) as store:
        before = store.head().film
        assert set_reference(store, "cajon-1").film == before.replace(stage=before.stage.replace(reference="cajon-1"))


def test_coverage_is_no_reference(judged: Path) -> None:
    with FilmStore.open(judged) as store, pytest.raises(InvalidInput, match="roaming-1 is roaming coverage"):
        set_reference(store, "roaming-1")


def test_the_command_says_which_it_is_and_what_is_next(judged: Path) -> None:
    def said(*words: str) -> str:
        result = CliRunner().invoke(app, ["shoot", "reference", str(judged), *words])
        assert result.exit_code == 0, result.output
        return result.output

    assert said() == "Takes are held against cajon-1, the first that was filmed.\n"
    told = said("cajon-2")
    assert told.startswith("Takes are held against cajon-2.\nNext: partsong shoot check")
    assert "partsong stage register" in told
    assert '"reference": "cajon-2"' in said("--json")
