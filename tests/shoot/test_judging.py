"""What a take shows and sounds like: known faults laid into made pictures and sounds, and clean ones left alone."""

from __future__ import annotations

import errno
import math
import os
import re
import shutil
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from partsong.errors import Cancelled, UnreadableMedia
from partsong.film.store import FilmStore
from partsong.media.convert import resized
from partsong.media.cues import cue_sound
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.packets import Packets
from partsong.media.planes import Planes
from partsong.media.soundtrack import SoundTrack
from partsong.render import bands
from partsong.shoot import camera, check, hearing, judge, order, steps
from partsong.shoot.sampling import AFFORDED_PIXELS, sampling
from partsong.shoot.sight import Looker, Sight
from partsong.timebase import Rate
from partsong.watch import Progress, Watch, silent

WIDTH, HEIGHT, FPS = 320, 180, 25.0


def _room(seed: int = 1) -> NDArray[np.float32]:
    """Reflectance of a room with drawing at every scale."""
    rng = np.random.default_rng(seed)
    room = np.full((HEIGHT, WIDTH), 0.2, np.float32)
    for _ in range(160):
        x, y = (int(rng.integers(0, side)) for side in (WIDTH, HEIGHT))
        w, h = (int(v) for v in rng.integers(2, 40, 2))
        room[y : y + h, x : x + w] = rng.uniform(0.05, 0.6)
    return cv2.GaussianBlur(room, (0, 0), 0.6)


ROOM = _room()


def _frame(
    number: int,
    *,
    lamp_x: float = 0.3,
    blur: float = 0.0,
    ceiling: float = 9.0,
    white: tuple[float, float, float] = (1.0, 1.0, 1.0),
    mains: tuple[float, float] | None = None,
    gain: float = 1.0,
    move: tuple[float, float] = (0.0, 0.0),
    seed: int = 0,
    player: bool = True,
) -> Planes:
    """Light the room by a dim sky and one lamp, log-encode it, and record 10 bits with noise."""
    rng = np.random.default_rng([seed, number])
    x, y = np.meshgrid(np.linspace(0, 1, WIDTH), np.linspace(0, HEIGHT / WIDTH, HEIGHT))
    lamp = 1.5 * np.clip(1 - ((x - lamp_x) ** 2 + (y - 0.3) ** 2) / 0.06, 0, 1) ** 2
    if mains is not None:
        hz, depth = mains
        at = number / FPS + np.arange(HEIGHT) / HEIGHT / 60
        lamp = lamp * (1 + depth * np.sin(2 * np.pi * 2 * hz * at))[:, None]
    light = (cv2.GaussianBlur(ROOM, (0, 0), blur) if blur else ROOM) * (0.08 + lamp) * gain
    if move != (0.0, 0.0):
        shift = np.array([[1, 0, move[0]], [0, 1, move[1]]], np.float64)
        light = cv2.warpAffine(light, shift, (WIDTH, HEIGHT), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    # A player's arm, another place in every frame.
    arm = int(WIDTH * (lamp_x + 0.08 * math.sin(number)))
    if player:
        light[60:120, arm : arm + 12] = 0.3
    rgb = np.minimum(light[..., None] * np.array(white, np.float32), ceiling)
    rgb = rgb + rng.normal(0, 1, rgb.shape) * np.sqrt(2e-7 + 1e-5 * rgb)
    code = (np.log2(np.maximum(np.minimum(rgb, ceiling), 0.002)) + 9.72) / 17.52
    luma = code @ np.array([0.2126, 0.7152, 0.0722])
    u = (code[..., 2] - luma) / 1.8556
    v = (code[..., 0] - luma) / 1.5748
    chroma = [
        np.rint(512 + 896 * plane.reshape(HEIGHT, WIDTH // 2, 2).mean(axis=2)).astype(np.uint16) for plane in (u, v)
    ]
    return Planes(np.rint(64 + 876 * luma).astype(np.uint16), chroma[0], chroma[1], 10, "bt709", "limited")


def _sight(frames: int = 12, step: int = 97, **how: object) -> Sight:
    looker = Looker()
    for n in range(frames):
        looker.add(n * step, _frame(n * step, **how))  # type: ignore[arg-type]
    looker.add_run(7, [_frame(n, **how) for n in range(7, 21)])  # type: ignore[arg-type]
    return looker.sight()


@pytest.fixture(scope="module")
def reference() -> Sight:
    """The reference: another place of the lamp."""
    return _sight(lamp_x=0.7, seed=9)


@pytest.mark.parametrize(
    ("how", "kinds"),
    [
        ({}, []),
        ({"seed": 3, "lamp_x": 0.5}, []),
        ({"blur": 0.7}, ["focus"]),
        ({"white": (1.12, 1.0, 0.88)}, ["white balance"]),
        ({"white": (0.9, 1.0, 1.1)}, ["white balance"]),
        ({"gain": 1.4}, ["exposure"]),
        ({"ceiling": 0.25}, ["clipped highlights"]),
        ({"mains": (60.0, 0.06)}, ["moving bands"]),
        ({"mains": (50.02, 0.06)}, ["standing bands"]),
        # A shutter of whole pulses leaves no ripple to see: sin(pi f t) / (pi f t) is 0 at 100 Hz and 1/50 s.
        ({"mains": (60.0, 0.06 * float(np.sinc(100 / 50)))}, []),
    ],
)
def test_a_fault_is_found_and_named_under_another_light(
    reference: Sight, how: dict[str, object], kinds: list[str]
) -> None:
    remarks, _ = judge.of_picture(_sight(**how), reference, [], FPS)
    assert [remark.kind for remark in remarks] == kinds


@pytest.mark.parametrize(
    ("how", "kinds"),
    [
        ({"seed": 4}, []),
        # 0.2 powers of two in an encoding of 17.52 of them: 1.1 % of the signal.
        ({"gain": 2**0.2}, ["exposure"]),
        ({"gain": 2**-0.2}, ["exposure"]),
        ({"white": (1.1, 1.0, 0.91)}, ["white balance"]),
    ],
)
def test_a_plate_in_the_same_light_tells_exposure_and_colour(how: dict[str, object], kinds: list[str]) -> None:
    plate = _sight(player=False, seed=11)
    remarks, told = judge.of_plate(_sight(**how), plate, "plate-1")
    assert told
    assert [remark.kind for remark in remarks] == kinds
    if kinds == ["exposure"]:
        assert remarks[0].size == pytest.approx(math.log2(float(how["gain"])) / 17.52 * 100, abs=0.1)  # type: ignore[arg-type]
        assert "against plate-1 in the same light" in remarks[0].sentence


def test_a_retake_of_the_reference_s_part_tells_exposure_from_the_light_they_share() -> None:
    earlier = _sight(seed=11)
    remarks, unseen = judge.of_picture(_sight(gain=2**-0.3), earlier, [earlier], FPS, reference_alike=True)
    assert [remark.kind for remark in remarks] == ["exposure"]
    assert remarks[0].size == pytest.approx(-0.3 / 17.52 * 100, abs=0.1)
    assert "in the same light, it is darker than the reference" in remarks[0].sentence
    assert not any(sentence.startswith("Exposure") for sentence in unseen)


def test_a_plate_in_another_light_tells_nothing_of_exposure() -> None:
    remarks, told = judge.of_plate(_sight(), _sight(player=False, lamp_x=0.7, seed=11), "plate-1")
    assert (remarks, told) == ([], False)


def test_bands_tell_their_period_and_the_mains(reference: Sight) -> None:
    # 120 Hz over a reading of 1/60 s is two bands a frame; 100 Hz one and two thirds.
    remarks, _ = judge.of_picture(_sight(mains=(60.0, 0.06)), reference, [], FPS)
    assert remarks[0].size == pytest.approx(HEIGHT / 2, rel=0.1)
    assert "mains of 60 Hz: set it to 1/60 s" in remarks[0].advice
    remarks, _ = judge.of_picture(_sight(mains=(50.02, 0.06)), reference, [], FPS)
    assert remarks[0].size == pytest.approx(HEIGHT / (5 / 3), rel=0.15)
    assert "mains of 50 Hz: set it to 1/50 s" in remarks[0].advice


def test_beats_and_exposures_are_those_of_the_tables() -> None:
    # Beat of f against the rate: |f - k * rate|, nearest k. 23.976 against 120 Hz: 0.1199 Hz.
    assert abs(bands.beat_hz(100, 24000 / 1001)) == pytest.approx(4.0959, abs=1e-4)
    assert abs(bands.beat_hz(120, 24000 / 1001)) == pytest.approx(0.1199, abs=1e-4)
    assert abs(bands.beat_hz(100, 30)) == 10
    # Even exposures: k/100 s under 50 Hz, k/120 s under 60 Hz.
    assert bands.even_exposure_s(50, 25) == (1, 50)
    assert bands.even_exposure_s(60, 30000 / 1001) == (1, 60)
    assert bands.even_exposure_s(50, 100) == (1, 100)


@pytest.mark.parametrize("after", [5, 7, 8, 9, 10, 11])
def test_a_lamp_knocked_within_the_take_is_found_where_and_when_it_was(reference: Sight, after: int) -> None:
    looker = Looker()
    for n in range(16):
        looker.add(n * 60, _frame(n * 60, lamp_x=0.3 if n < after else 0.36))
    remarks, _ = judge.of_picture(looker.sight(), reference, [], FPS)
    assert [remark.kind for remark in remarks] == ["light changed"]
    assert remarks[0].frame == 60 * after
    assert remarks[0].box is not None
    left, _, width, _ = remarks[0].box
    assert 0 <= left < 0.3 * WIDTH
    assert left + width < 0.8 * WIDTH


@pytest.mark.parametrize(
    ("move", "verdict"), [((0.0, 0.0), None), ((0.3, -0.2), "look first"), ((2, 1), "do not strike")]
)
def test_a_camera_that_was_moved_between_takes_is_found(
    reference: Sight, move: tuple[float, float], verdict: str | None
) -> None:
    unseen: list[str] = []
    remarks = camera.of_place(_sight(move=move), reference, "cajon-1", unseen)
    assert [remark.verdict for remark in remarks] == ([verdict] if verdict else [])
    assert unseen == []
    if verdict:
        # 0.06 px: what registration under another light errs by in most takes, on a picture this small.
        assert remarks[0].size == pytest.approx(math.hypot(*move), abs=0.06)
        told = {way: float(px) for px, way in re.findall(r"([\d.]+) px (left|right|up|down)", remarks[0].sentence)}
        assert told["right"] == pytest.approx(move[0], abs=0.06)
        assert told["down" if move[1] > 0 else "up"] == pytest.approx(abs(move[1]), abs=0.06)
        assert remarks[0].moved_px == pytest.approx(move, abs=0.06)


def test_another_room_is_called_so(reference: Sight, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.modules[__name__], "ROOM", _room(77))
    remarks = camera.of_place(_sight(), reference, "cajon-1", [])
    assert "this is another frame" in remarks[0].sentence
    assert remarks[0].verdict == "do not strike"


def test_clipping_is_measured_and_bounded() -> None:
    clean, cut = _sight(), _sight(ceiling=0.25)
    truth = float((ROOM * 0.08 >= 0.25).mean())  # nothing: only the lamp reaches that
    assert truth == 0
    assert clean.clipped.max() == 0
    lit = _frame(0, ceiling=0.25)
    top = (np.log2(0.25) + 9.72) / 17.52
    really = float((np.abs(lit.y.astype(float) - (64 + 876 * top)) <= 4).mean())
    assert float(np.median(cut.clipped)) == pytest.approx(really, rel=0.35)  # any colour counts, not luma alone
    assert cut.ceiling == pytest.approx(top, abs=0.005)  # one step of the histogram


def test_repeated_and_missing_frames() -> None:
    sizes = np.full(96, 40_000)
    keys = np.arange(96) % 24 == 0
    sizes[keys] = 150_000
    sizes[[30, 71]] = 300
    packets = Packets(np.arange(96) / 25, sizes, keys)
    assert order.suspects(packets) == (30, 71)
    assert order.gaps(packets, 25.0) == ()
    times = np.arange(96) / 25
    times[50:] += 2 / 25
    assert order.gaps(Packets(times, sizes, keys), 25.0) == (order.Gap(50, 2),)
    # An encoder of few bits: the frame after a key frame is always nearly empty, and says nothing.
    sizes[np.arange(96) % 24 == 1] = 200
    assert order.suspects(Packets(np.arange(96) / 25, sizes, keys)) == (30, 71)
    intra = np.arange(50_000, 50_096)
    intra[40] = intra[39]
    assert order.suspects(Packets(np.arange(96) / 25, intra, np.ones(96, bool))) == (40,)
    changes = np.full(20, 0.004, np.float32)
    changes[6] = 0.0001
    assert order.repeats(100, changes, range(90, 130)) == (107,)
    assert order.repeats(100, changes, [106, 108]) == ()
    assert order.repeats(100, np.full(20, 1e-6, np.float32), range(90, 130)) == ()


def test_sampling_stays_within_its_means() -> None:
    for width, height, frames in ((3840, 2160, 5760), (1920, 1080, 5760), (320, 180, 90), (3840, 2160, 3)):
        plan = sampling(frames, width, height, tuple(range(0, frames, 25)))
        looked = len(plan.spread) + sum(len(run) for run in plan.runs)
        assert looked <= max(16, AFFORDED_PIXELS // (width * height)) + 3
        assert all(0 <= frame < frames for frame in plan.spread)
        assert all(run.stop <= frames for run in plan.runs)
        assert list(plan.spread) == sorted(set(plan.spread))


def _blocks(sound: NDArray[np.float32]) -> list[NDArray[np.float32]]:
    return [sound[start : start + 48_000, None] for start in range(0, len(sound), 48_000)]


def test_sound_missing_clipped_and_hum() -> None:
    rng = np.random.default_rng(1)
    time_s = np.arange(48_000 * 12) / 48_000
    notes = np.where((time_s % 2) < 1, np.sin(2 * np.pi * 110 * time_s), np.sin(2 * np.pi * 146.8 * time_s))
    music = (0.2 * notes + rng.normal(0, 0.003, len(time_s))).astype(np.float32)
    clean = hearing.hear(_blocks(music), 48_000)
    assert (clean.cut_off, clean.silent_channels, clean.hum, clean.cues) == (0, (), None, ())
    assert judge.of_sound(clean, guide=False) == []
    # Loudness of a sine of amplitude 0.2: -17.0 dBFS.
    assert clean.level_dbfs == pytest.approx(20 * math.log10(0.2 / math.sqrt(2)), abs=0.1)

    for mains in (50, 60):
        hum = sum(0.004 / k * np.sin(2 * np.pi * mains * k * time_s) for k in (1, 2, 3))
        heard = hearing.hear(_blocks((music + hum).astype(np.float32)), 48_000)
        assert heard.hum is not None
        assert heard.hum[0] == mains
        # 0.004 at the mains and a half and a third of it at the harmonics: -46.7 dBFS together, read through a mean of
        # four samples that hardly touches them; 1 dB for the window's position.
        assert heard.hum[1] == pytest.approx(
            20 * math.log10(0.004 * math.sqrt(1 + 1 / 4 + 1 / 9) / math.sqrt(2)), abs=1
        )

    loud = np.clip(8 * music, -1, 1)
    heard = hearing.hear(_blocks(loud), 48_000)
    assert heard.cut_off > 100
    assert [remark.kind for remark in judge.of_sound(heard, guide=False)] == ["sound clipped"]
    nothing = hearing.hear(_blocks(np.zeros(48_000, np.float32)), 48_000)
    assert [remark.kind for remark in judge.of_sound(nothing, guide=True)] == ["sound missing"]
    assert judge.of_sound(None, guide=True)[0].sentence == "It has no sound."
    half = [np.concatenate([block, 0 * block], axis=1) for block in _blocks(music)]
    assert hearing.hear(half, 48_000).silent_channels == (1,)


def test_cues_are_heard_in_noise_to_the_millisecond() -> None:
    rng = np.random.default_rng(2)
    sound = rng.normal(0, 0.05, 48_000 * 8).astype(np.float32)
    for kind, start in (("head cue", 1.2345), ("tail cue", 6.5)):
        cue = 0.1 * cue_sound(kind)  # type: ignore[arg-type]
        at = round(start * 48_000)
        sound[at : at + len(cue)] += cue
    heard = dict(hearing.hear(_blocks(sound), 48_000).cues)
    assert heard == {"head cue": pytest.approx(1.2345, abs=1e-3), "tail cue": pytest.approx(6.5, abs=1e-3)}
    both = judge.of_sound(hearing.hear(_blocks(sound), 48_000), guide=True)
    assert [(remark.kind, remark.verdict) for remark in both] == [("sync cues", "clear to strike")]
    assert "head cue is heard at 00:01.23" in both[0].sentence
    assert "tail cue is heard at 00:06.50" in both[0].sentence
    (one,) = judge.of_sound(hearing.hear(_blocks(sound[: 48_000 * 4]), 48_000), guide=True)
    assert one.kind == "one sync cue"
    assert one.sentence.endswith("its tail cue is not.")
    (none,) = judge.of_sound(hearing.hear(_blocks(sound[48_000 * 3 : 48_000 * 6]), 48_000), guide=True)
    assert none.kind == "no sync cue"


def test_a_take_is_judged_from_its_file_and_the_verdict_is_kept(tmp_path: Path, film: Path) -> None:
    folder = tmp_path / "clips"
    sound = np.random.default_rng(3).normal(0, 0.05, (48_000 * 64 // 25, 1)).astype(np.float32)
    for part, how, drop in (("cajon", {"lamp_x": 0.7}, 0), ("harmonium", {"blur": 0.9}, 3), ("organ", {"seed": 5}, 0)):
        (folder / f"{part} wide").mkdir(parents=True)
        track = SoundTrack(codec="pcm_s24le", blocks=iter([sound]), channels=1)
        path = folder / f"{part} wide/a.mov"
        with PictureWriter(
            path, RECIPES["camera"], width=WIDTH, height=HEIGHT, rate=Rate.of(25), sound=track
        ) as writer:
            for n in range(64 - drop):
                # Somebody bumps into the third take's tripod at frame 41.
                move = (0.6, 0.5) if part == "organ" and n >= 41 else (0.0, 0.0)
                writer.write(_frame(n, move=move, **how))  # type: ignore[arg-type]
    (folder / "plate").mkdir()
    with PictureWriter(
        folder / "plate/a.mov", RECIPES["camera"], width=WIDTH, height=HEIGHT, rate=Rate.of(25)
    ) as writer:
        for n in range(12):
            writer.write(_frame(n, gain=2**0.25, player=False, seed=12))
    with FilmStore.open(film) as store:
        steps.add(store, [folder / "cajon wide", folder / "harmonium wide"], silent())
        steps.add(store, [folder / "plate"], silent(), part="harmonium")
        steps.add(store, [folder / "organ wide"], silent(), new_part="organ")
        # In whatever order, and whatever was looked at before, the verdicts are the same.
        backwards = check.check(store, ["organ-1", "harmonium-1", "cajon-1"], silent())
        document = store.head().film
        first, second, third = check.check(store, [], silent())
        assert store.head().film == document
    assert [finding.kind for finding in first.findings if finding.verdict != "clear to strike"] == []
    assert [finding.kind for finding in second.findings if finding.verdict == "do not strike"] == [
        "dropped frames",
        "focus",
    ]
    assert first.judgement.verdict == "clear to strike"
    assert second.judgement.verdict == "do not strike"
    # It is held to the plate of its light, which was exposed a quarter of a stop brighter.
    (exposed,) = (finding for finding in second.findings if finding.kind == "exposure")
    assert exposed.size == pytest.approx(-0.25 / 17.52 * 100, abs=0.15)
    assert not any(sentence.startswith("Exposure") for sentence in second.judgement.unseen)
    assert "3 frames are missing" in second.judgement.sentence
    assert [finding.kind for finding in third.findings if finding.verdict == "do not strike"] == ["camera knocked"]
    assert third.findings[0].at is not None
    assert abs(third.findings[0].at.ticks - 41) <= 3
    assert third.findings[0].size == pytest.approx(math.hypot(0.6, 0.5), abs=0.08)
    assert document.judgement_of("harmonium-1") == second.judgement
    assert [finding for finding in document.findings if finding.take == "harmonium-1"] == list(second.findings)
    assert [entry.judgement for entry in backwards] == [entry.judgement for entry in (third, second, first)]
    shown = cv2.imread(str(second.picture))
    assert shown.shape[1] == WIDTH
    assert shown.shape[0] > HEIGHT + 40


def test_one_take_is_told_of_frame_by_frame_and_stopped_between_two(tmp_path: Path, film: Path) -> None:
    with PictureWriter(
        tmp_path / "cajon wide.mov", RECIPES["camera"], width=WIDTH, height=HEIGHT, rate=Rate.of(25)
    ) as writer:
        for n in range(30):
            writer.write(_frame(n))
    told: list[Progress] = []
    with FilmStore.open(film) as store:
        steps.add(store, [tmp_path / "cajon wide.mov"], silent())
        before = store.head().revision
        with pytest.raises(Cancelled):
            check.check(store, [], Watch(told.append, lambda: len(told) == 10))
        assert [one.done for one in told] == list(range(10))
        assert store.head().revision == before
        assert [path for path in store.folder.root.rglob("*.npz")] == []
        told.clear()
        check.check(store, [], Watch(told.append, lambda: False))
    for doing in ("Looking at frames of takes", "Checking takes"):
        own = [one for one in told if one.doing == doing]
        done = [one.done for one in own]
        assert done == sorted(done)
        assert (done[0], {one.total for one in own}) == (0, {own[0].total})
        assert 0.7 * own[0].total <= done[-1] <= own[0].total


def test_a_clip_that_cannot_be_decoded_is_a_reason_not_to_strike_and_others_are_judged(
    tmp_path: Path, film: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "clips"
    for part, lamp_x in (("cajon", 0.3), ("harmonium", 0.7)):
        for take in (1, 2):
            (folder / f"{part} wide").mkdir(parents=True, exist_ok=True)
            path = folder / f"{part} wide/{take}.mov"
            with PictureWriter(path, RECIPES["camera"], width=WIDTH, height=HEIGHT, rate=Rate.of(25)) as writer:
                for n in range(30):
                    writer.write(_frame(n, lamp_x=lamp_x, seed=take))
    real = check.open_picture
    bad: set[Path] = set()

    def broken(path: Path, *args: object, **more: object) -> object:
        if path in bad:
            raise UnreadableMedia(path, "frame 7 of 30 cannot be decoded", "Copy it again.")
        return real(path, *args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(check, "open_picture", broken)
    with FilmStore.open(film) as store:
        steps.add(store, [folder], silent())
        bad.add(folder / "harmonium wide/1.mov")
        judged = {entry.take: entry for entry in check.check(store, [], silent())}
        assert store.head().film.judgement_of("harmonium-1") == judged["harmonium-1"].judgement
        # Where the first take is broken, the next one is the reference; a chosen one is missed.
        bad.add(folder / "cajon wide/1.mov")
        shutil.rmtree(store.folder.root / "cache")
        (second,) = check.check(store, ["harmonium-2"], silent())
        bad.clear()
        shutil.rmtree(store.folder.root / "cache")
        (folder / "cajon wide/1.mov").rename(tmp_path / "elsewhere.mov")
        (missed,) = check.check(store, ["harmonium-2"], silent())
        (tmp_path / "elsewhere.mov").rename(folder / "cajon wide/1.mov")
        bad.add(folder / "cajon wide/1.mov")
        store.change("Chose", lambda film: film.replace(stage=film.stage.replace(reference="cajon-1")))
        (last,) = check.check(store, ["harmonium-2"], silent())
    lost = judged["harmonium-1"]
    assert [finding.kind for finding in lost.findings] == ["unreadable"]
    assert (lost.judgement.verdict, lost.picture) == ("do not strike", None)
    assert "It cannot be read: frame 7 of 30 cannot be decoded." in lost.judgement.sentence
    assert "unreadable" not in {finding.kind for finding in judged["harmonium-2"].findings}
    retake = "It was not compared with harmonium-1: 1.mov: frame 7 of 30 cannot be decoded. Copy it again."
    assert retake in judged["harmonium-2"].judgement.unseen
    assert not any("no reference" in sentence for sentence in second.judgement.unseen)
    assert "not compared" not in {finding.kind for finding in second.findings}
    assert "is no longer there" in missed.judgement.sentence
    assert missed.judgement.verdict == "look first"
    (told,) = (finding for finding in last.findings if finding.kind == "not compared")
    assert (told.verdict, last.judgement.verdict) == ("look first", "look first")
    assert told.sentence.startswith("It was not compared with cajon-1: 1.mov: frame 7")


def test_a_clip_that_cannot_be_decoded_is_decoded_once_until_its_file_is_another(
    tmp_path: Path, film: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "clips" / "cajon wide"
    folder.mkdir(parents=True)
    for take in (1, 2):
        with PictureWriter(folder / f"{take}.mov", RECIPES["camera"], width=64, height=64, rate=Rate.of(25)) as writer:
            for n in range(30):
                writer.write(resized(_frame(n, seed=take), 64, 64))
    real, asked = check.open_picture, [0]
    cause: list[OSError | None] = [OSError(errno.EIO, os.strerror(errno.EIO))]

    def broken(path: Path, *args: object, **more: object) -> object:
        if path.name != "1.mov":
            return real(path, *args, **more)  # type: ignore[arg-type]
        asked[0] += 1
        raise UnreadableMedia(path, "its content is damaged", "Copy it again.") from cause[0]

    monkeypatch.setattr(check, "open_picture", broken)

    def checked() -> tuple[int, tuple[check.Judged, ...]]:
        asked[0] = 0
        judged = check.check(store, [], silent())
        return asked[0], judged

    with FilmStore.open(film) as store:
        steps.add(store, [tmp_path / "clips"], silent())
        of_a_disk, _ = checked()
        cause[0] = None
        once, first = checked()
        again, second = checked()
        (folder / "1.mov").write_bytes((folder / "1.mov").read_bytes())
        replaced, _ = checked()
        monkeypatch.setattr(check, "open_picture", real)
        os.utime(folder / "1.mov")
        _, whole = checked()

    # A disk that fails may be well the next time it is asked.
    assert of_a_disk > 1
    assert (once, again, replaced) == (1, 0, 1)
    assert second == first
    assert first[0].judgement.sentence.startswith("Do not strike: It cannot be read: its content is damaged.")
    assert "unreadable" not in {finding.kind for finding in whole[0].findings}
