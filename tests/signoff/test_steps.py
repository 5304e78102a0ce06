"""Sign-off on a real, tiny film: real codecs, files and processes, with truth that we built."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from partsong.engine.local import Local
from partsong.errors import Cancelled, InvalidInput, OutputFailed
from partsong.film.folder import FilmFolder, fingerprint
from partsong.film.records import Effect, Film, Flicker, Leak, Panel, Shot, Stutter
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.picture import open_picture
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.media.sound import load_sound
from partsong.render.wide import place, segments_of
from partsong.signoff import steps
from partsong.signoff.masters import KINDS, plan_master, psnr
from partsong.signoff.paint import Painter, Shown, painter_for
from partsong.watch import Progress, Watch, silent
from three_bars import RATE, SAMPLES, clip_of


def frames_of(path: Path, folder: FilmFolder) -> list[Planes]:
    picture = clip_of(path, folder).picture
    assert picture is not None
    with open_picture(path, picture) as reader:
        return list(reader.read(range(picture.frames)))


def test_both_masters_are_what_was_planned(made: tuple[FilmFolder, Film]) -> None:
    folder, film = made
    masters = steps.make_masters(folder, film, ("h264", "mezzanine"), watch=silent(), engine=Local(1))
    assert [each.path.name for each in masters] == ["three-bars.mp4", "three-bars.mov"]
    for each in masters:
        assert not any(check.needs_decision for check in each.checks)
    h264, mezzanine = (probe(each.path, folder.refer(each.path)) for each in masters)
    assert h264.picture is not None
    assert mezzanine.picture is not None
    assert (h264.picture.frames, h264.picture.bit_depth, h264.picture.codec) == (75, 8, "h264")
    assert (mezzanine.picture.frames, mezzanine.picture.bit_depth) == (75, 10)
    assert mezzanine.picture.timecode is not None
    assert mezzanine.picture.timecode.frame == 3600 * 24  # 01:00:00:00
    # The uncompressed sound is the mix, sample for sample (24 bits both).
    heard = load_sound(masters[1].path)
    assert heard.shape == (SAMPLES, 2)
    assert np.array_equal(heard, load_sound(folder.locate(film.song.mix.file)))  # type: ignore[union-attr]


def test_the_picture_is_fitted_and_taken_from_its_frame(made: tuple[FilmFolder, Film]) -> None:
    folder, film = made
    painter = painter_for(folder, film, plan_master(film), "mezzanine")
    wide, roaming, cajon = painter.pictures([10, 40, 60])
    # A 4:3 picture stands between two black sides of 16 pixels: 96 of 128; black is 64 at ten bits (BT.709-6).
    assert (roaming.y[:, :16] == 64).all()
    assert (roaming.y[:, -16:] == 64).all()
    assert (roaming.y[:, 16:-16] > 64).mean() > 0.99
    # The bar is where its frame says: frame 10 at 20; frame 40 at 80 of 84, plus 16; frame 66 at 132 % 116 = 16.
    for planes, left in ((wide, 20), (roaming, 96), (cajon, 16)):
        row = planes.y[36].astype(int)
        bright = np.flatnonzero(row > row.max() - 40)
        # One pixel: the codec's ringing at the edge of the bar.
        assert abs(bright[0] - left) <= 1
        assert abs(bright[-1] - (left + 11)) <= 1


def test_a_killed_render_goes_on_where_it_was(made: tuple[FilmFolder, Film], monkeypatch: pytest.MonkeyPatch) -> None:
    folder, film = made
    monkeypatch.setattr("partsong.signoff.paint.SEGMENT_S", 1)
    plan = plan_master(film)
    painter = painter_for(folder, film, plan, "h264")
    segments = painter.segments(plan)
    assert [(segment.first, segment.stop) for segment in segments] == [(0, 18), (18, 37), (37, 56), (56, 75)]

    def stop_after_two() -> bool:
        return len(list((folder.root / "cache").glob("master-h264/[!.]*.mp4"))) >= 2

    with pytest.raises(Cancelled):
        steps.make_masters(folder, film, ("h264",), watch=Watch(lambda _: None, stop_after_two), engine=Local(1))
    assert steps.master_paths(folder) == ()
    kept = {path: path.stat().st_mtime_ns for path in (folder.root / "cache" / "master-h264").iterdir()}
    assert len(kept) == 2
    steps.make_masters(folder, film, ("h264",), watch=silent(), engine=Local(1))
    assert all(path.stat().st_mtime_ns == then for path, then in kept.items())


def test_a_take_that_vanishes_is_named_and_the_master_is_the_same_once_it_is_back(
    made: tuple[FilmFolder, Film], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, film = made
    monkeypatch.setattr("partsong.signoff.paint.SEGMENT_S", 1)
    clip = folder.locate(film.take("cajon-1").clip.file)
    away = clip.with_suffix(".away")

    def report(progress: Progress) -> None:
        if progress.doing == "Rendering" and progress.done >= 18 and clip.is_file():
            clip.rename(away)

    with pytest.raises(InvalidInput, match=r"cajon\.mov is not there\. Check the name, or whether the drive"):
        steps.make_masters(folder, film, ("h264",), watch=Watch(report, lambda: False), engine=Local(1))
    assert steps.master_paths(folder) == ()
    # Frames 0 to 36 do not show it.
    kept = list((folder.root / "cache" / "master-h264").iterdir())
    assert len(kept) == 2
    assert not [path for path in kept if path.name.startswith(".")]
    away.rename(clip)
    (master,) = steps.make_masters(folder, film, ("h264",), watch=silent(), engine=Local(1))
    gone_on = master.path.read_bytes()
    for path in (folder.root / "cache" / "master-h264").iterdir():
        path.unlink()
    (master,) = steps.make_masters(folder, film, ("h264",), watch=silent(), engine=Local(1))
    assert master.path.read_bytes() == gone_on


def test_segment_keys_follow_what_they_show(made: tuple[FilmFolder, Film], monkeypatch: pytest.MonkeyPatch) -> None:
    folder, film = made
    monkeypatch.setattr("partsong.signoff.paint.SEGMENT_S", 1)
    assert film.look is not None

    def keys(changed: Film) -> list[str]:
        plan = plan_master(changed)
        return [segment.key for segment in painter_for(folder, changed, plan, "h264").segments(plan)]

    before = keys(film)
    assert keys(film) == before
    later = keys(film.replace(cut=(*film.cut[:2], Shot(source="roaming-1", start=50, end=75))))
    # Only the segments from frame 37 on show what changed.
    assert [one == other for one, other in zip(before, later, strict=True)] == [True, True, False, False]
    brighter = keys(film.replace(look=film.look.replace(exposure_stops=1.0)))
    assert not set(before) & set(brighter)


def test_effects_are_in_the_master_where_they_were_put(made: tuple[FilmFolder, Film]) -> None:
    folder, film = made
    flicker = Flicker(start=8, end=20, dips=(8, 14), depth_stops=1.0)
    stutter = Stutter(start=40, end=52, again=(44, 48))
    leak = Leak(start=56, end=72, side="left", at=0.5, reach=0.6)
    (plain,) = steps.make_masters(folder, film, ("mezzanine",), watch=silent(), engine=Local(1))
    before = frames_of(plain.path, folder)
    (done,) = steps.make_masters(
        folder, film.replace(effects=(flicker, stutter, leak)), ("mezzanine",), watch=silent(), engine=Local(1)
    )
    after = frames_of(done.path, folder)

    def light(planes: Planes) -> float:
        return float((((planes.y - 64.0) / 876).clip(0) ** 2.4).mean())

    # A stop is half of the light of the display (ITU-R BT.1886), as far as whole codes and the encoder tell.
    assert light(after[8]) / light(before[8]) == pytest.approx(0.5, abs=0.01)
    assert light(after[14]) / light(before[14]) == pytest.approx(0.5, abs=0.01)
    for frame in (7, 11, 20, 39, 55, 72):
        assert psnr(before[frame], after[frame]) > 50, frame
    # In every frame a bar stands two pixels further on: what is shown again is told by it.
    for frame, again in ((44, 40), (47, 43), (48, 40), (51, 43), (52, 52)):
        assert psnr(before[again], after[frame]) > 45, frame
        assert again == frame or psnr(before[frame], after[frame]) < 30, frame
    # Where the leak is brightest, at the left edge half-way down, red rises above blue; the right side is as it was.
    assert after[64].v[36, 0] > before[64].v[36, 0] + 60
    assert after[64].u[36, 0] < before[64].u[36, 0] - 30
    assert abs(after[64].y[:, 90:].astype(int) - before[64].y[:, 90:]).max() < 12


def test_panels_are_painted_where_they_lie(made: tuple[FilmFolder, Film]) -> None:
    folder, film = made
    (plain,) = steps.make_masters(folder, film, ("mezzanine",), watch=silent(), engine=Local(1))
    before = frames_of(plain.path, folder)
    rows = ((Panel(source="wide", x=0.0), Panel(source="wide", x=1.0)),)
    cut = (Shot(source="wide", start=0, end=30, panels=rows), *film.cut[1:])
    (done,) = steps.make_masters(folder, film.replace(cut=cut), ("mezzanine",), watch=silent(), engine=Local(1))
    after = frames_of(done.path, folder)
    # 128 pixels: two panels of 63 would be odd, so 64 and 62 beside a gap of 2, their windows as high as the picture.
    frame, whole = after[12], before[12]
    assert (frame.y[:, 64:66] <= 70).all()
    for part in (np.s_[:, :62], np.s_[:, 68:]):  # the left and the right part of the wide, in its own size
        assert abs(frame.y[part].astype(int) - whole.y[part]).max() <= 12
    assert psnr(before[40], after[40]) > 50


def test_only_segments_with_effects_are_painted_anew(
    made: tuple[FilmFolder, Film], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, film = made
    monkeypatch.setattr("partsong.signoff.paint.SEGMENT_S", 1)

    def keys(*effects: Effect) -> list[str]:
        changed = film.replace(effects=effects)
        return [
            each.key
            for each in painter_for(folder, changed, plan_master(changed), "h264").segments(plan_master(changed))
        ]

    before = keys()
    flicker = Flicker(start=30, end=34, dips=(30,), depth_stops=1.0)
    assert [one == other for one, other in zip(before, keys(flicker), strict=True)] == [True, False, True, True]
    assert keys(flicker.replace(depth_stops=0.5)) != keys(flicker)
    stutter = Stutter(start=60, end=70, again=(65,))
    assert [one == other for one, other in zip(before, keys(stutter), strict=True)] == [True, True, True, False]


def test_effects_that_flash_too_much_are_known_without_a_master(made: tuple[FilmFolder, Film]) -> None:
    folder, film = made
    quick = Flicker(start=0, end=48, dips=tuple(range(0, 48, 4)), depth_stops=2.0)
    state, sentence = steps.flashing_of(folder, film.replace(effects=(quick,)))
    assert state == "fails"
    assert "flash 6 times in a second by themselves" in sentence
    slow = quick.replace(dips=(0, 24))
    assert steps.flashing_of(folder, film.replace(effects=(slow,)))[0] == "unknown"


def test_a_master_that_is_not_as_planned_is_not_kept(
    made: tuple[FilmFolder, Film], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, film = made
    from partsong.media import join as joining

    real = joining.join

    def short(*arguments: object, **settings: object) -> None:
        real(*arguments, **{**settings, "sound_samples": SAMPLES - 1})  # type: ignore[arg-type]

    monkeypatch.setattr(joining, "join", short)
    with pytest.raises(OutputFailed, match="1 samples shorter"):
        steps.make_masters(folder, film, ("mezzanine",), watch=silent(), engine=Local(1))
    assert steps.master_paths(folder) == ()
    assert list(folder.masters.iterdir()) == []


def test_a_stretch_of_the_wide_that_is_not_merged_is_named(made: tuple[FilmFolder, Film]) -> None:
    folder, film = made
    # Thirteen segments: the fifth holds frames 23 to 27. The cut shows the wide up to frame 29.
    place(folder, segments_of(film, [25])[0]).unlink()
    told = r"not merged from 00:00.96 to 00:01.17 of the song \(frames 23 to 27\)\. Merge it: partsong stage merge \S+$"
    with pytest.raises(InvalidInput, match=told):
        steps.make_masters(folder, film, ("h264",), watch=silent(), engine=Local(1))


def test_what_the_cut_does_not_show_of_the_wide_is_not_needed(made: tuple[FilmFolder, Film]) -> None:
    folder, film = made
    for segment in segments_of(film, range(34, 75)):
        place(folder, segment).unlink()
    (master,) = steps.make_masters(folder, film, ("h264",), watch=silent(), engine=Local(1))
    assert master.path.is_file()
    steps.write_edit(folder, film)
    (joined,) = (folder.root / "cache" / "wide-joined").iterdir()
    picture = clip_of(joined, folder).picture
    assert picture is not None
    assert picture.frames == 34


def test_both_masters_are_painted_from_one_decoding(
    made: tuple[FilmFolder, Film], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, film = made
    alone = {}
    for kind in KINDS:
        steps.make_masters(folder, film, (kind,), watch=silent(), engine=Local(1))
        alone |= {path: path.read_bytes() for path in (folder.root / "cache" / f"master-{kind}").iterdir()}
    before = {path.name: path.read_bytes() for path in steps.master_paths(folder)}
    for path in alone:
        path.unlink()
    shown: list[int] = []
    real = Painter.shown

    def counted(painter: Painter, frames: Sequence[int]) -> Iterator[Shown]:
        for each in real(painter, frames):
            shown.append(each.frame)
            yield each

    monkeypatch.setattr(Painter, "shown", counted)
    steps.make_masters(folder, film, KINDS, watch=silent(), engine=Local(1))
    # Then each finished master is held against some of its frames, painted again: 0 and its neighbour, 7 and both.
    assert shown[:80] == [*range(75), 0, 1, 6, 7, 8]
    assert {path: path.read_bytes() for path in alone} == alone
    assert {path.name: path.read_bytes() for path in steps.master_paths(folder)} == before


def test_a_master_is_measured_and_reported(made: tuple[FilmFolder, Film]) -> None:
    folder, film = made
    steps.make_masters(folder, film, ("mezzanine",), watch=silent(), engine=Local(1))
    (found,) = steps.measure_film(folder, film, watch=silent())
    by_topic = {check.topic for check in found.checks}
    assert by_topic == {"Whole", "Sync", "Flashing", "Levels", "Picture", "Loudness", "True peak"}
    sync = next(check for check in found.checks if "Measured again" in check.sentence)
    assert sync.measured.startswith("0 samples")
    assert sync.outcome == "within"
    path, report = steps.write_report(folder, film, watch=silent())
    text = path.read_text(encoding="utf-8")
    assert report.made is not None
    assert f"Sign off, {report.made.day} {report.made:%B %Y}<" in text
    assert report.stage is not None
    assert "three-bars.mov" in text
    # Nothing on the page asks anybody for anything.
    assert "http" not in text
    assert text.count("data:image/jpeg;base64,") >= 4


def test_the_edit_lies_beside_the_masters(made: tuple[FilmFolder, Film]) -> None:
    folder, film = made
    timeline, listed = steps.write_edit(folder, film)
    document = json.loads(timeline.read_text(encoding="utf-8"))
    clips = document["tracks"]["children"][0]["children"]
    assert [clip["media_references"]["DEFAULT_MEDIA"]["OTIO_SCHEMA"] for clip in clips] == ["ExternalReference.1"] * 3
    assert listed.name == "three-bars.edl"


def test_a_file_of_any_origin_is_measured(tmp_path: Path) -> None:
    # White and black at 12 a second, which fails (WCAG 2.2).
    path = tmp_path / "flicker.mov"
    grey = np.full((36, 32), 512, np.uint16)
    with PictureWriter(path, RECIPES["camera"], width=64, height=36, rate=RATE) as writer:
        for frame in range(48):
            y = np.full((36, 64), 940 if frame % 2 else 64, np.uint16)
            writer.write(Planes(y, grey, grey, 10, "bt709", "limited"))
    found = steps.measure_file(path, watch=silent())
    flashing = next(check for check in found.checks if check.topic == "Flashing")
    assert flashing.outcome == "outside"
    assert flashing.caution
    assert not any(check.topic in ("Loudness", "Sync") for check in found.checks)


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match="not there"):
        steps.measure_file(tmp_path / "none.mov", watch=silent())


def test_originals_are_not_touched(made: tuple[FilmFolder, Film]) -> None:
    folder, film = made
    originals = [folder.locate(take.clip.file) for take in film.takes]
    before = [fingerprint(path) for path in originals]
    steps.make_masters(folder, film, ("h264",), watch=silent(), engine=Local(1))
    assert [fingerprint(path) for path in originals] == before
