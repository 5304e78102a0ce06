"""The session folder: what lies where, to the sample, and that nothing is left half-written."""

from __future__ import annotations

import json
from datetime import datetime
from fractions import Fraction

import av
import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from days import Day
from partsong.cli.main import app
from partsong.errors import Cancelled, InvalidInput
from partsong.film.records import Film, Part, Placement, Song, Stem, Take
from partsong.film.store import FilmStore
from partsong.lineup.session import RATE_HZ, lay, onto_song, write_session
from partsong.timebase import Rate, Time
from partsong.watch import Watch, silent

RATE = Rate.of("24000/1001")
DELAY_S = Fraction(480, 48000)
MADE = datetime(2026, 3, 9, 7, 5, 1)


def pulses(at_s, length_s):
    """Return a smooth bump of known place in every second: 2 kHz wide, so that a tenth of a sample shows."""
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    return 0.5 * sum(np.exp(-(((t - at) * 8000) ** 2)) for at in at_s).astype(np.float32)


def middle(sound, near_s):
    """Return where a bump lies, in samples: its centre of gravity."""
    first = round(near_s * RATE_HZ) - 200
    part = np.clip(sound[max(first, 0) : first + 400].astype(float) - 0.01, 0, None)
    return max(first, 0) + float(np.sum(np.arange(len(part)) * part) / part.sum())


SONG_S = 14
BEATS_S = [2.0, 7.25, 12.5]
DRIFTS = {"cajon-1": 0.0, "cajon-2": 400.0, "pad-1": 60.0}
LENGTHS_S = {"cajon-1": 12, "cajon-2": 14, "pad-1": 16}
STARTS_S = {"cajon-1": Fraction(-3, 2), "cajon-2": Fraction(1, 3), "pad-1": Fraction(-2)}


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """Make a film whose song and takes carry bumps at the same song times, and whose placements are the truth."""
    day = Day(tmp_path_factory.mktemp("session"), RATE, RATE_HZ)
    song = pulses(BEATS_S, SONG_S)
    for name in ("mix", "cajon"):
        day.sound(name, song)
    takes, placements = [], []
    for name, drift in DRIFTS.items():
        # The camera hears a bump of song time s at media time (s - start + delay) / (1 + drift).
        at = [(beat - float(STARTS_S[name] - DELAY_S)) / (1 + drift * 1e-6) for beat in BEATS_S]
        sound = pulses(at, LENGTHS_S[name])
        day.grey(name, np.stack([sound, -sound / 2], axis=1))
        takes.append(Take(id=name, kind="stage", part=name[:-2], clip=day.clip(f"{name}.mov")))
        placements.append(
            Placement(
                take=name,
                confidence="sure",
                start=Time.of(STARTS_S[name]),
                drift_ppm=drift,
                arrival_delay=Time.of(DELAY_S),
            )
        )
    takes.append(Take(id="roam-1", kind="roaming", clip=day.clip("cajon-1.mov")))
    placements.append(Placement(take="roam-1", confidence="none"))
    return day.film(
        song=Song(title="Tide", mix=day.clip("mix.wav"), stems=(Stem(part="cajon", clip=day.clip("cajon.wav")),)),
        parts=(Part(id="cajon", name="Cajón"), Part(id="pad", name="Pad")),
        takes=tuple(takes),
        placements=tuple(placements),
    )


@pytest.fixture(scope="module")
def written(day):
    out = day.parent / "session"
    result = CliRunner().invoke(app, ["lineup", "session", str(day), "--out", str(out), "--json"])
    assert result.exit_code == 0, result.output
    return out, json.loads(result.stdout)


def test_files_are_named_in_score_order_with_a_list_beside_them(written):
    out, told = written
    names = ["01-mix.wav", "02-cajon-stem.wav", "03-cajon-1.wav", "04-cajon-2.wav", "05-pad-1.wav"]
    assert sorted(path.name for path in out.iterdir()) == [*names, "session.txt"]
    assert [name for name, _ in told["files"]] == names
    text = (out / "session.txt").read_text(encoding="utf-8")
    assert all(name in text for name in names)
    assert "172972800 samples after midnight" in text
    assert "roam-1: none: not placed" in text
    words = dict(told["files"])
    # 400 ppm of fourteen seconds, and 60 of sixteen; the clips are cut to whole frames.
    assert "resampled by +400.0 ppm: its clock strays by 5.59 ms over its length, more" in words["04-cajon-2.wav"]
    assert "not resampled: its clock strays by only 0.96 ms" in words["05-pad-1.wav"]
    assert told["resampled"] == ["04-cajon-2.wav"]
    assert "Resampled: 04-cajon-2.wav. All other takes" in text
    assert "1.51 s before the song left out" in words["03-cajon-1.wav"]


def test_every_file_is_as_long_as_the_song_and_says_when_it_starts(written, check_value):
    out, told = written
    # EBU Tech 3285 v2: 01:00:00:00 at 24000/1001 frames a second.
    expected = check_value("bext.tr.tc")["expected"][1]
    assert told["time_reference"] == expected
    for path in out.glob("*.wav"):
        info = soundfile.info(path)
        assert (info.samplerate, info.subtype, info.frames) == (RATE_HZ, "PCM_24", SONG_S * RATE_HZ)
        with av.open(path) as container:
            assert container.metadata["time_reference"] == str(expected)


@pytest.mark.parametrize("name", ["03-cajon-1.wav", "04-cajon-2.wav"])
def test_takes_line_up_with_the_song(written, name):
    out, _ = written
    song, _ = soundfile.read(out / "01-mix.wav", always_2d=True)
    take, _ = soundfile.read(out / name, always_2d=True)
    assert take.shape[1] == 2
    np.testing.assert_allclose(take[:, 1], -take[:, 0] / 2, atol=3e-7)  # two steps of 24 bits
    # The first take ends before the last bump.
    for beat in BEATS_S if name != "03-cajon-1.wav" else BEATS_S[:2]:
        # Half a sample where whole ones are moved, and a hundredth for finding the middle of a bump.
        assert middle(take[:, 0], beat) == pytest.approx(middle(song[:, 0], beat), abs=0.51)


def test_drift_that_does_not_matter_stays_below_a_millisecond(written):
    out, _ = written
    song, _ = soundfile.read(out / "01-mix.wav", always_2d=True)
    take, _ = soundfile.read(out / "05-pad-1.wav", always_2d=True)
    for beat in BEATS_S:
        # 60 ppm since the take's first moment, two seconds before the song: the bump was heard that much early.
        left = (beat + 2.01) * 60e-6 * RATE_HZ
        assert middle(take[:, 0], beat) == pytest.approx(middle(song[:, 0], beat) - left, abs=0.51)
        assert left < 48


def test_samples_that_are_only_moved_stay_what_they_were(day, written):
    out, _ = written
    taken, _ = soundfile.read(out / "03-cajon-1.wav", dtype="int32", always_2d=True)
    with av.open(day.parent / "cajon-1.mov") as container:
        own = np.concatenate([frame.to_ndarray().reshape(-1, 2) for frame in container.decode(audio=0)])
    shift = round((1.5 + float(DELAY_S)) * RATE_HZ)
    length = len(own) - shift
    np.testing.assert_array_equal(taken[:length], own[shift:])
    assert not taken[length:].any()


def test_resampling_leaves_a_sweep_as_it_was_played():
    # A camera 150 ppm fast records a sweep from 20 Hz to 20 kHz, straight in time; on the song's clock it is known.
    drift_ppm, length_s, start_s = -150.0, 20, Fraction(1, 3)
    laid = lay(start_s, drift_ppm, Fraction(length_s))
    assert laid.resampled

    def swept(song_s):
        phase = 2 * np.pi * (20 * song_s + (20_000 - 20) / (2 * length_s) * song_s**2)
        return 0.5 * np.sin(phase)

    media_s = np.arange(length_s * RATE_HZ) / RATE_HZ
    take = swept(media_s * (1 + drift_ppm * 1e-6) + float(start_s)).astype(np.float32)[:, None]
    count = 19 * RATE_HZ
    out = np.concatenate(list(onto_song([take], 0, laid, count, 1)))[:, 0]
    inside = slice(round(0.4 * RATE_HZ), count)
    error = out[inside] - swept(np.arange(count) / RATE_HZ)[inside]

    # Below the noise of 16 bits (-98 dB under a full sine) everywhere up to 20 kHz: -90 dB for the worst sample.
    assert np.sqrt(np.mean(error**2)) < 0.5 / np.sqrt(2) * 10 ** (-98 / 20)
    assert np.abs(error).max() < 0.5 * 10 ** (-90 / 20)


def test_any_block_lengths_give_the_same():
    rng = np.random.default_rng(1)
    sound = rng.normal(size=(200_000, 1)).astype(np.float32)
    for laid in (lay(Fraction(1, 7), 300.0, Fraction(60)), lay(Fraction(-1), 0.0, Fraction(60))):
        whole = np.concatenate(list(onto_song([sound], 0, laid, 120_000, 1)))
        pieces = [sound[at : at + 7919] for at in range(0, len(sound), 7919)]
        # 1e-5: where blocks begin, single precision rounds in another order.
        np.testing.assert_allclose(np.concatenate(list(onto_song(pieces, 0, laid, 120_000, 1))), whole, atol=1e-5)
        assert len(whole) == 120_000


def test_a_folder_in_use_and_a_label_that_is_none_are_refused(day, tmp_path):
    (tmp_path / "used").mkdir()
    (tmp_path / "used" / "mine.txt").write_text("keep")
    with FilmStore.open(day) as store:
        film = store.head().film
        for out, origin, words in (
            ("used", "01:00:00:00", "holds something"),
            ("new", "01:00:00:24", "does not exist"),
        ):
            with pytest.raises(InvalidInput, match=words):
                write_session(store.folder, film, tmp_path / out, origin=origin, made=MADE, watch=silent())
        with pytest.raises(InvalidInput, match="needs a song"):
            write_session(store.folder, Film(name="Empty"), tmp_path / "new", made=MADE, watch=silent())
    assert [path.name for path in tmp_path.iterdir()] == ["used"]


def test_a_stop_leaves_nothing(day, tmp_path):
    asked = iter([False] * 20)
    with FilmStore.open(day) as store, pytest.raises(Cancelled):
        write_session(
            store.folder,
            store.head().film,
            tmp_path / "new",
            made=MADE,
            watch=Watch(lambda _: None, lambda: next(asked, True)),
        )
    assert list(tmp_path.iterdir()) == []
