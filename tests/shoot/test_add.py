"""Taking clips in: real encodings, bad files, questions, and nothing twice."""

from __future__ import annotations

import json
import shutil
import threading
from pathlib import Path

import pytest
from typer.testing import CliRunner

from partsong.cli.main import app
from partsong.errors import Cancelled, InvalidInput
from partsong.film.records import Film, Shot
from partsong.film.store import FilmStore
from partsong.shoot import steps
from partsong.watch import Watch, silent

from .conftest import SIZE, turn, write_clip, write_wav


def _run(*words: object) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.output


def _film(folder: Path) -> Film:
    with FilmStore.open(folder) as store:
        return store.head().film


def _revisions(folder: Path) -> int:
    with FilmStore.open(folder) as store:
        return len(store.history())


def test_a_mixed_card_is_taken_in_and_every_bad_file_is_named(tmp_path: Path, film: Path) -> None:
    clips = tmp_path / "clips"
    hevc = {"x265-params": "log-level=none"}
    write_clip(clips / "01 cajon/locked-off/a.mov", codec="libx265", pixels="yuv422p10le", options=hevc)
    write_clip(clips / "02 harmonium/wide/b.mov", codec="prores_ks", pixels="yuv422p10le", rate="24000/1001")
    write_clip(clips / "02 harmonium/wide/c.mov", rate="25", timecode="10:20:30:05", seed=2)
    write_clip(clips / "roaming/d.mp4", rate="30000/1001")
    write_clip(clips / "roaming/e.mp4", ticks=[0, 33, 70, 100, 140, 161, 200, 240, 262, 300, 345, 366], seed=3)
    turn(write_clip(clips / "roaming/f.mp4", seed=4))
    write_wav(clips / "roaming/g.wav", rate_hz=44100)
    (clips / "roaming/h.mp4").write_text("This is only a text.\n" * 50)
    whole = write_clip(tmp_path / "whole.mp4", seed=5).read_bytes()
    (clips / "roaming/i.mp4").write_bytes(whole[: len(whole) // 2])
    early = write_clip(tmp_path / "early.mp4", seed=6, container={"movflags": "faststart"}).read_bytes()
    (clips / "roaming/j.mp4").write_bytes(early[: len(early) * 3 // 4])
    (clips / "roaming/k.mov").touch()
    (clips / "roaming/notes.txt").write_text("left alone")
    (clips / "roaming/.hidden.mov").write_text("left alone")
    before = {path: path.read_bytes() for path in clips.rglob("*") if path.is_file()}

    status, out = _run("shoot", "add", film, clips)

    assert status == 1
    document = _film(film)
    assert [(take.id, take.kind, take.part) for take in document.takes] == [
        ("cajon-1", "stage", "cajon"),
        ("harmonium-1", "stage", "harmonium"),
        ("harmonium-2", "stage", "harmonium"),
        ("roaming-1", "roaming", None),
        ("roaming-2", "roaming", None),
        ("roaming-3", "roaming", None),
    ]
    pictures = {take.id: take.picture for take in document.takes}
    assert (pictures["cajon-1"].codec, pictures["cajon-1"].pixel_format) == ("hevc", "yuv422p10le")
    assert (pictures["harmonium-1"].codec, str(pictures["harmonium-1"].rate)) == ("prores", "24000/1001")
    assert str(pictures["roaming-1"].rate) == "30000/1001"
    assert pictures["roaming-2"].variable_rate
    assert pictures["roaming-3"].rotation_deg == 90
    code = pictures["harmonium-2"].timecode
    assert code is not None
    assert code.frame == ((10 * 60 + 20) * 60 + 30) * 25 + 5
    # The first stage take gives the film its rate and size; what differs is said.
    assert (str(document.rate), document.width, document.height) == ("25", *SIZE)
    assert "harmonium-1 runs at 24000/1001 frames a second, the film at 25" in out
    assert "roaming-2 has a variable frame rate" in out
    assert f"roaming-3 is {SIZE[1]} x {SIZE[0]}, the film {SIZE[0]} x {SIZE[1]}" in out
    for name, reason in {
        "g.wav": "sound without picture is no take",
        "h.mp4": "text file",
        "i.mp4": "index is missing",
        "j.mp4": "cut off",
        "k.mov": "the file is empty",
    }.items():
        line = next(line for line in out.splitlines() if name in line)
        assert line.startswith("Refused")
        assert reason in line
    assert "notes.txt" not in out
    assert "1 other file left alone" in out
    assert "harmonium-2: stage, harmonium (clips/02 harmonium/wide/c.mov)" in out
    assert _revisions(film) == 2
    assert before == {path: path.read_bytes() for path in clips.rglob("*") if path.is_file()}
    assert len(list((film / "cache" / "thumbs").glob("*.jpg"))) == 6

    # Once more: the good ones are known, the bad ones still bad, nothing is changed.
    status, out = _run("shoot", "add", film, clips)
    assert status == 1
    assert "6 already in the film" in out
    assert _revisions(film) == 2

    status, out = _run("shoot", "list", film)
    assert status == 0
    line = next(line for line in out.splitlines() if "harmonium-2" in line)
    for cell in ("harmonium", "stage", "64x48", "25", "h264 8-bit", "00:00.48", "10:20:30:05"):
        assert cell in line


def test_unclear_clips_are_asked_about_and_options_answer(tmp_path: Path, film: Path) -> None:
    clips = tmp_path / "clips"
    write_clip(clips / "cajon/a.mov")
    write_clip(clips / "06 banjo/wide/b.mov", seed=1)
    write_clip(clips / "card/c.mov", seed=2)
    status, out = _run("shoot", "add", film, clips, "--json")
    assert status == 1
    asked = {Path(entry["path"]).name: entry for entry in json.loads(out)["questions"]}
    assert asked["a.mov"]["answer"].startswith("--kind stage")
    assert asked["b.mov"]["question"] == "is 'banjo' a new part?"
    assert _film(film).takes == ()
    assert _revisions(film) == 1

    assert _run("shoot", "add", film, clips / "cajon", "--kind", "stage")[0] == 0
    assert _run("shoot", "add", film, clips / "06 banjo", "--new-part", "Banjo")[0] == 0
    status, _ = _run("shoot", "add", film, clips / "card" / "c.mov", "--part", "CAJON", "--kind", "stage")
    assert status == 0
    document = _film(film)
    assert [part.name for part in document.parts] == ["cajón", "harmonium", "Banjo"]
    assert [(take.id, take.part) for take in document.takes] == [
        ("cajon-1", "cajon"),
        ("banjo-1", "banjo"),
        ("cajon-2", "cajon"),
    ]


def test_plates_are_kept_apart_and_the_films_own_sounds_are_known(tmp_path: Path, film: Path) -> None:
    write_clip(tmp_path / "plates/cajon.mov")
    write_clip(tmp_path / "plates/ambient.mov", seed=1)
    write_clip(film / "masters/out.mov", seed=2)
    status, out = _run("shoot", "add", film, tmp_path)
    assert status == 0
    document = _film(film)
    assert [(plate.id, plate.part) for plate in document.plates] == [("plate-1", None), ("plate-2", "cajon")]
    assert document.takes == ()
    assert document.rate is None
    assert "3 already in the film" in out


def test_a_copy_is_not_added_twice_and_a_moved_file_is_followed(tmp_path: Path, film: Path) -> None:
    first = write_clip(tmp_path / "clips/cajon wide/a.mov")
    shutil.copy(first, first.with_name("copy.mov"))
    with FilmStore.open(film) as store:
        added = steps.add(store, [tmp_path / "clips"], silent())
        assert (added.takes, added.known, added.relinked) == (("cajon-1",), 1, 0)
        (tmp_path / "disk").mkdir()
        first.rename(tmp_path / "disk" / "other name.mov")
        first.with_name("copy.mov").unlink()
        again = steps.add(store, [tmp_path / "disk"], silent())
        assert (again.takes, again.relinked) == ((), 1)
        head = store.head()
        assert head.film.takes[0].clip.file.path == "disk/other name.mov"
        assert head.revision.sentence == "Followed 1 moved file"


def test_stopping_leaves_the_film_as_it_was(tmp_path: Path, film: Path) -> None:
    for number in range(3):
        write_clip(tmp_path / f"clips/cajon wide/{number}.mov", seed=number)
    stop = threading.Event()
    watch = Watch(lambda progress: stop.set() if progress.done == 1 else None, stop.is_set)
    with FilmStore.open(film) as store:
        with pytest.raises(Cancelled, match="looking at clips"):
            steps.add(store, [tmp_path / "clips"], watch)
        assert len(store.history()) == 1


def test_places_and_parts_that_are_not_there_are_refused(tmp_path: Path, film: Path) -> None:
    (tmp_path / "clips").mkdir()
    with FilmStore.open(film) as store:
        for places, options, sentence in (
            (["nowhere"], {}, "nowhere is not there"),
            (["clips"], {"part": "banjo"}, "no part 'banjo'"),
            (["clips"], {"new_part": "Cajón"}, "already has the part 'cajón'"),
            (["clips"], {"new_part": "x", "part": "cajon"}, "not both"),
        ):
            with pytest.raises(InvalidInput, match=sentence):
                steps.add(store, [tmp_path / place for place in places], silent(), **options)  # type: ignore[arg-type]
        assert len(store.history()) == 1


def test_takes_are_noted_and_corrected(tmp_path: Path, film: Path) -> None:
    write_clip(tmp_path / "clips/cajon wide/a.mov")
    write_clip(tmp_path / "clips/roaming/b.mov", seed=1)
    assert _run("shoot", "add", film, tmp_path / "clips")[0] == 0

    _run("shoot", "note", film, "cajon-1", "--text", "stick slipped in bar 12", "--circle")
    take = _film(film).take("cajon-1")
    assert (take.notes, take.circled) == ("stick slipped in bar 12", True)
    assert "cajon-1 (circled)" in _run("shoot", "list", film)[1]
    _run("shoot", "note", film, "cajon-1", "--no-circle")
    take = _film(film).take("cajon-1")
    assert (take.notes, take.circled) == ("stick slipped in bar 12", False)

    _run("shoot", "set", film, "roaming-1", "--part", "harmonium", "--kind", "stage", "--distance", "3.2")
    document = _film(film)
    assert (document.take("roaming-1").part, document.take("roaming-1").kind) == ("harmonium", "stage")
    assert document.part("harmonium").distance_m == 3.2
    _run("shoot", "set", film, "cajon-1", "--input-space", "ACEScct")
    assert _film(film).take("cajon-1").input_space == "ACEScct"


def test_what_a_file_leaves_unsaid_of_its_colour_is_asked_and_answered(tmp_path: Path, film: Path) -> None:
    write_clip(tmp_path / "clips/cajon wide/a.mov", tagged=False)
    write_clip(tmp_path / "clips/cajon wide/b.mov", tagged=False, seed=1)
    assert _run("shoot", "add", film, tmp_path / "clips")[0] == 0
    line = next(line for line in _run("shoot", "list", film)[1].splitlines() if "cajon-2" in line)
    assert "colour matrix not stated (--matrix); value range not stated (--range); camera encoding not set" in line
    _run("shoot", "set", film, "cajon-1", "cajon-2", "--matrix", "bt709", "--range", "full", "--input-space", "ACEScct")
    for take in _film(film).takes:
        assert (take.picture.matrix, take.picture.value_range, take.input_space) == ("bt709", "full", "ACEScct")
    assert "not s" not in _run("shoot", "list", film)[1]
    assert _revisions(film) == 3


def test_corrections_that_make_no_sense_are_refused(tmp_path: Path, film: Path) -> None:
    write_clip(tmp_path / "clips/roaming/b.mov")
    cases = (
        ("roaming-1", steps.Correction(), "nothing to set"),
        ("roaming-1", steps.Correction(distance_m=2), "belongs to no part"),
        ("roaming-1", steps.Correction(kind="stage"), "a stage take needs a part"),
        ("x", steps.Correction(kind="stage"), "no take 'x'"),
        ("roaming-1", steps.Correction(part="cajon", distance_m=-1), "out of range"),
        ("roaming-1", steps.Correction(part="banjo"), "no part 'banjo'"),
        ("roaming-1", steps.Correction(input_space="no such space"), "no such space"),
    )
    with FilmStore.open(film) as store:
        steps.add(store, [tmp_path / "clips"], silent())
        for take, change, sentence in cases:
            with pytest.raises(InvalidInput, match=sentence):
                steps.correct(store, [take], change)
        with pytest.raises(InvalidInput, match="nothing to note"):
            steps.note(store, "roaming-1", text=None, circled=None)
        assert len(store.history()) == 2


def test_a_film_of_coverage_alone_has_the_shape_of_its_longest_take_until_something_stands_on_it(
    tmp_path: Path, film: Path
) -> None:
    def shape() -> tuple[str, int | None, int | None]:
        document = _film(film)
        return str(document.rate), document.width, document.height

    upright = turn(write_clip(tmp_path / "a/phone.mp4", rate="30", count=12))
    assert _run("shoot", "add", film, upright, "--kind", "roaming")[0] == 0
    assert shape() == ("30", *SIZE[::-1])
    longer = write_clip(tmp_path / "b/camera.mov", rate="25", count=24, seed=1)
    assert _run("shoot", "add", film, longer, "--kind", "roaming")[0] == 0
    assert shape() == ("25", *SIZE)
    # A camera that was locked off after all takes over, be it added or corrected.
    assert _run("shoot", "set", film, "roaming-1", "--kind", "stage", "--part", "cajon")[0] == 0
    assert shape() == ("30", *SIZE[::-1])
    # What a stage take settled stays, however long the next one is.
    other = write_clip(tmp_path / "c/other.mov", rate="24", count=48, seed=2)
    assert _run("shoot", "add", film, other, "--kind", "stage", "--part", "cajon")[0] == 0
    assert shape() == ("30", *SIZE[::-1])


def test_frames_that_a_cut_counts_keep_their_rate(tmp_path: Path, film: Path) -> None:
    first = write_clip(tmp_path / "a/one.mov", rate="25")
    assert _run("shoot", "add", film, first, "--kind", "roaming")[0] == 0
    with FilmStore.open(film) as store:
        store.change("Cut", lambda newest: newest.replace(cut=(Shot(source="roaming-1", start=0, end=10),)))
    stage = write_clip(tmp_path / "b/two.mov", rate="24", seed=1)
    assert _run("shoot", "add", film, stage, "--kind", "stage", "--part", "cajon")[0] == 0
    assert str(_film(film).rate) == "25"
