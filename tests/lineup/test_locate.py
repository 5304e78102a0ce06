"""Whole clips against whole songs, with known truth, good and bad."""

import numpy as np
import pytest

from partsong.lineup import confidence, features, fine, notes, strokes
from partsong.lineup import locate as locating
from partsong.lineup.features import RATE_HZ
from partsong.lineup.fine import PhaseLine, Response
from partsong.lineup.line import Fit, Line
from partsong.lineup.locate import (
    Found,
    Possible,
    Reference,
    _by_notes,
    _by_strokes,
    _of_sound,
    _phase_t,
    _rival,
    _share,
    _told_by_notes,
    _unless_masked,
    locate,
    locate_alone,
    measure_at,
)

SONG_S = 75.0


@pytest.fixture(scope="module")
def song(band):
    return band.song(SONG_S)


@pytest.fixture(scope="module")
def references(song):
    return {kind: Reference(kind, features.hear(sound)) for kind, sound in song.items()}


@pytest.fixture(scope="module")
def silence():
    """Two silent lengths: a clip of 40 s, and a song of 60 s whose notes are heard once."""
    clip, song = (features.hear(np.zeros(length_s * RATE_HZ, np.float32)) for length_s in (40, 60))
    return clip, Reference("mix", song)


@pytest.fixture(scope="module")
def noise():
    """A clip of noise, and the noise of a song as its stem and as its mix."""
    rng = np.random.default_rng(3)
    clip, song = (features.hear(0.1 * rng.normal(size=length_s * RATE_HZ).astype(np.float32)) for length_s in (20, 30))
    return clip, [Reference("stem", song), Reference("mix", song)]


def late_s(distance_m=3.0):
    return distance_m / 343.2


@pytest.mark.parametrize(
    ("kind", "start_s", "length_s", "room"),
    [
        ("drum", -7.3, SONG_S + 12, {"drift_ppm": 60}),
        ("pluck", 12.3456, 40, {}),
        ("bells", 33.3, 30, {"direct_db": -8, "reverb_s": 1.2, "snr_db": 20}),
        ("pad", -2.0, 70, {}),
        ("drum", 10.3, 55, {"snr_db": -18, "direct_db": -3}),
        ("pluck", 51.7, 6, {}),
    ],
)
def test_clear_clips_are_sure_and_right(band, song, references, kind, start_s, length_s, room):
    clip = band.filmed(song[kind], start_s, length_s, **room)

    found = locate(features.hear(clip), [references[kind], references["mix"]])

    assert found.confidence == "sure", found.reason
    # Half a millisecond where the camera heard the very performance: eight samples at 16 kHz.
    assert found.line.start_s == pytest.approx(start_s - late_s(), abs=5e-4)
    if length_s > 60:
        assert found.line.drift_ppm == pytest.approx(room.get("drift_ppm", 0), abs=3)


def test_the_mix_alone_will_do(band, song, references):
    found = locate(features.hear(band.filmed(song["pluck"], 20.5, 40)), [references["mix"]])

    assert found.confidence == "sure"
    assert found.line.start_s == pytest.approx(20.5 - late_s(), abs=5e-4)


def test_three_seconds(band, song, references):
    found = locate(features.hear(band.filmed(song["drum"], 51.7, 3)), [references["drum"], references["mix"]])

    assert found.confidence in ("sure", "likely")
    assert found.line.start_s == pytest.approx(51.7 - late_s(), abs=5e-4)


@pytest.mark.parametrize(
    "spoilt",
    [
        lambda clip: np.clip(40 * clip, -0.5, 0.5),
        lambda clip: clip + np.float32(0.4),
        lambda clip: np.where(np.arange(len(clip)) % 5000 < 20, np.nan, clip).astype(np.float32),
        lambda clip: clip * np.float32(1e-3),
        lambda clip: np.stack([np.sign(np.sin(np.arange(len(clip)) * 0.9)).astype(np.float32), clip], axis=1),
    ],
    ids=["clipped", "offset", "not a number", "60 dB too low", "timecode on the other channel"],
)
def test_faults_of_recording(band, song, references, spoilt):
    clip = spoilt(band.filmed(song["pluck"], 22.2, 30))

    found = locate(features.hear(clip), [references["pluck"], references["mix"]])

    assert found.confidence == "sure", found.reason
    assert found.line.start_s == pytest.approx(22.2 - late_s(), abs=5e-4)


@pytest.mark.parametrize(("kind", "bpm"), [("drum", 92.0), ("pad", 117.0), ("mix", 92.0), ("mix", 117.0)])
def test_another_song_is_not_placed(band, references, kind, bpm):
    stranger = type(band)(band.seed + 100)
    clip = stranger.filmed(stranger.song(45, bpm)[kind], 5, 35)
    against = [references[kind], references["mix"]] if kind != "mix" else [references["mix"]]

    found = locate(features.hear(clip), against)

    assert found.confidence == "none", found.reason


def test_noise_and_silence_are_not_placed(references, rng):
    noise = locate(features.hear(rng.normal(size=30 * RATE_HZ).astype(np.float32)), [references["mix"]])
    silence = locate(features.hear(np.zeros(30 * RATE_HZ, np.float32)), [references["mix"]])

    assert noise.confidence == "none"
    assert silence.confidence == "none"
    assert "silent" in silence.reason


def test_talk_is_not_placed(references, rng):
    # Something like speech: a buzz that glides, in syllables, through two resonances.
    t = np.arange(25 * RATE_HZ) / RATE_HZ
    pitch = 120 + 30 * np.interp(t, np.arange(0, 26, 0.4), rng.normal(size=65))
    buzz = sum(np.sin(2 * np.pi * np.cumsum(pitch) * k / RATE_HZ) / k for k in range(1, 25))
    syllables = np.interp(t, np.arange(0, 26, 0.13), np.clip(rng.normal(0.3, 0.5, 200), 0, 1))

    found = locate(features.hear((buzz * syllables).astype(np.float32)), [references["drum"], references["mix"]])

    assert found.confidence == "none"


def test_an_exact_loop_is_asked_about(band):
    # Machine bars, the same to the sample: a clip within them could be any of them.
    bar = band.part("drum", 4, bpm=120)
    loop = Reference("loop", features.hear(np.tile(bar, 15)))
    clip = band.filmed(np.tile(bar, 15), 20, 16)

    found = locate(features.hear(clip), [loop])

    assert found.confidence == "ask"
    assert len(found.possible) > 2
    starts = np.array([place.line.start_s for place in found.possible])
    # Every candidate is the truth moved by whole four-second loops.
    assert np.abs((starts + late_s() - 20 + 2) % 4 - 2).max() < 0.02


def machine(*steps):
    """Return 4 s of a machine's bar: sixteen steps, each of which strikes none or one of its sounds, always alike."""
    out = np.zeros(4 * RATE_HZ, np.float32)
    t = np.arange(RATE_HZ // 5) / RATE_HZ
    for at, sound in enumerate(steps):
        if sound:
            noise = np.random.default_rng(sound).normal(size=len(t)) * np.exp(-t / 0.03)
            out[at * RATE_HZ // 4 :][: len(t)] += noise.astype(np.float32)
    return out


def test_another_loop_from_the_same_machine_is_not_placed(band, monkeypatch):
    # Half of each turn is the same to the sample, and silence tells one turn from the others, as it may by luck.
    monkeypatch.setattr(confidence, "judge_repeats", lambda _: confidence.Judgement("sure", "phase", "by silence"))
    ours = machine(1, 0, 3, 0, 2, 0, 3, 3, 1, 0, 3, 0, 2, 0, 3, 0)
    theirs = machine(1, 0, 0, 0, 2, 0, 0, 3, 1, 0, 0, 3, 2, 0, 0, 0)
    quiet = np.zeros(12 * RATE_HZ, np.float32)
    song = Reference("loop", features.hear(np.concatenate([quiet, np.tile(ours, 12)])))
    mix = Reference("mix", features.hear(np.concatenate([quiet, np.tile(ours, 12)]) + band.part("pluck", 60)))

    own, other = (locate(features.hear(band.filmed(np.concatenate([quiet, np.tile(bar, 12)]), 2.6, 35)), [song, mix])
                  for bar in (ours, theirs))  # fmt: skip

    assert own.confidence == "likely", own.reason
    assert own.line.start_s == pytest.approx(2.6 - late_s(), abs=1e-3)
    assert other.confidence == "ask", other.reason
    assert "every" in other.reason


def test_a_loop_behind_a_mix_is_placed_by_its_beginning(band, song):
    loop = np.concatenate([np.zeros(12 * RATE_HZ, np.float32), np.tile(band.part("drum", 4, bpm=120), 12)])
    rest = (song["bells"] + song["pluck"])[: len(loop)]
    mix = np.pad(0.5 * loop[: len(rest)] + rest, (0, max(len(loop) - len(rest), 0)))

    found = locate(features.hear(band.filmed(loop, 2.6, 35)), [Reference("mix", features.hear(mix))])

    assert found.confidence == "likely"
    assert found.line.start_s == pytest.approx(2.6 - late_s(), abs=1e-3)
    assert len(found.possible) > 2


def test_the_part_played_again_is_placed(band, references):
    clip = band.filmed(band.part("bells", SONG_S, performance=1), 5, 65)

    found = locate(features.hear(clip), [references["bells"], references["mix"]])

    assert found.confidence in ("sure", "likely")
    # Two performances by one player differ by 6 ms a note here, and the room reads late.
    assert found.line.start_s == pytest.approx(5 - late_s(), abs=0.02)


def test_windows_that_do_not_agree_alone_are_asked_no_further_of_two_takes(noise, monkeypatch):
    clip, (other, _) = noise
    for name in ("_by_response", "_by_strokes", "_by_notes", "_with_turns"):
        monkeypatch.setattr(locating, name, lambda *_, name=name, **__: pytest.fail(name))

    assert not locate_alone(clip, [other]).alone


def test_a_chosen_place_is_measured_anew(band, song, references):
    heard = features.hear(band.filmed(song["pluck"], 12.0, 30))

    line = measure_at(heard, [references["pluck"], references["mix"]], Line(12.03))

    assert line.start_s == pytest.approx(12 - late_s(), abs=5e-4)


def test_a_place_over_the_songs_end_gains_nothing_by_its_few_windows():
    def response(evidence, windows):
        return Response(Fit(Line(0.0), 0.0), evidence, windows, settled=True, deviation_ms=0.0, right=1.0)

    assert _rival(response(167.0, 13), [response(142.0, 33), response(121.0, 27)]) == 142.0  # somebody who talked
    assert _rival(response(167.0, 30), [response(60.0, 20), response(50.0, 10)]) == 100.0  # twice at most
    assert _rival(response(167.0, 30), []) == 0.0


@pytest.mark.parametrize(("only", "expected"), [(True, "ask"), (False, "sure")])
def test_where_only_strokes_are_heard_the_sound_itself_places_nothing(monkeypatch, only, expected):
    # What answers strokes in a stem is its attacks, at the places where the rhythm is alike.
    found = Found("sure", "The sound itself agrees", "phase", "stem", Line(3.0), 1.0, 0, 32, 0.8, (), summed=True)
    monkeypatch.setattr(strokes, "only_strokes", lambda clip, voice: only)

    told = _of_sound(features.hear(np.zeros(RATE_HZ, np.float32)), 0, found)

    assert told.confidence == expected
    assert told.line == found.line


def strokes_at(lags_s, t, *, swells=False, likeliest_s=20.0, odds=0.0, of_parts=False):
    """Return what strokes say where notes start."""
    fits = tuple(strokes.Fit(lag_s, 9.0 - number) for number, lag_s in enumerate(lags_s))
    told = confidence.Odds(odds, odds / 5, True)
    likeliest = (strokes.Fit(likeliest_s, 4.0), strokes.Fit(likeliest_s + 10, 3.0))
    return strokes.Strokes(fits, t, 1.2, 20, 90, True, True, swells, likeliest, told, False, of_parts)


@pytest.mark.parametrize(("swells", "shaped_at_s", "t", "expected", "at_s"), [
    (False, 3.01, 2.4, "likely", 3.0),  # both hearings choose it: what rises is read more finely
    (True, 2.83, 2.4, "likely", 2.81),  # a swell is read by its shape, which is late as well
    (True, 2.83, 1.4, "ask", 2.81),
    (True, 9.0, 1.4, "ask", 3.0),
    (False, 9.0, 1.4, "ask", 3.0),
])  # fmt: skip
def test_a_stem_is_heard_again_where_what_rises_does_not_place_keys(
    monkeypatch, swells, shaped_at_s, t, expected, at_s
):
    def found(at_s, t, *, swells=False):
        return strokes_at((at_s, 20.0), t, swells=swells)

    def find(clip, voice, starts, *, mixed=False):
        return found(shaped_at_s, t) if mixed else found(3.0, 2.6, swells=swells)

    silence = features.hear(np.zeros(40 * RATE_HZ, np.float32))
    monkeypatch.setattr(strokes, "find_strokes", find)

    told = _by_strokes(silence, 0, Reference("stem", silence), (), mixed=False)

    assert told.confidence == expected
    assert told.line.start_s == pytest.approx(at_s)
    assert {round(place.line.start_s, 2) for place in told.possible} >= ({3.0, 20.0} if expected == "ask" else {20.0})


@pytest.mark.parametrize(("mixed", "odds", "expected", "at_s"), [
    (False, 11.0, "likely", 20.0),
    (True, 10.0, "likely", 20.0),
    (True, 8.0, "ask", 3.0),
])  # fmt: skip
def test_keys_lie_where_they_are_likeliest_by_far(monkeypatch, mixed, odds, expected, at_s):
    def find(clip, voice, starts, *, mixed=False, parts=None):
        return strokes_at((3.0, 20.0), 1.6, odds=odds, of_parts=parts is not None)

    silence = features.hear(np.zeros(40 * RATE_HZ, np.float32))
    monkeypatch.setattr(strokes, "find_strokes", find)

    told = _by_strokes(silence, 0, Reference("song", silence), (), mixed=mixed)

    assert told.confidence == expected
    # Where another place is likely it is offered as well.
    assert [place.line.start_s for place in told.possible] == pytest.approx([at_s, 23.0 - at_s, 30.0])


@pytest.mark.parametrize(("in_mix_t", "expected", "against", "at_s"), [
    (2.4, "likely", "mix", 9.0),
    (1.6, "ask", "stem", 3.0),  # its places are the better ones to choose from
])  # fmt: skip
def test_a_mix_is_asked_where_keys_are_not_placed_by_a_stem(noise, monkeypatch, in_mix_t, expected, against, at_s):
    def struck(clip, voice, song, possible, *, mixed):
        told = strokes_at((9.0, 20.0) if mixed else (3.0, 20.0), in_mix_t if mixed else 1.6)
        verdict = confidence.judge_strokes(
            told.t, told.lead, told.blocks, told.halves_agree, told.toneless, mixed=mixed
        )
        lines = [Line(fit.lag_s) for fit in told.fits]
        places = tuple(Possible(line, 1.0) for line in lines)
        return Found(verdict.confidence, verdict.reason, verdict.method, song.name, lines[0], None, 0, 0, 0.2, places)

    clip, references = noise
    monkeypatch.setattr(locating, "_by_strokes", struck)

    told = locate(clip, references)

    assert (told.confidence, told.against) == (expected, against)
    assert told.line.start_s == at_s
    # Where both ask, what either names is offered.
    offered_s = [place.line.start_s for place in told.possible]
    assert offered_s[0] == at_s
    assert {9.0, 20.0} <= set(offered_s)


def response(start_s, evidence, *, right=0.9):
    return Response(Fit(Line(start_s), 30.0), evidence, 19, False, 5.0, right)


@pytest.mark.parametrize(("evidence", "right", "expected"), [
    (30.0, 0.9, "likely"),
    (30.0, 0.6, "ask"),  # they do not tell it finely enough
    (12.0, 0.9, "none"),  # notes lead by less than chance may
])  # fmt: skip
def test_notes_and_windows_place_what_neither_does(silence, monkeypatch, evidence, right, expected):
    clip, mix = silence
    alike = (notes.Alike(10.0, evidence, 0.05), notes.Alike(3.0, 8.0, 0.03))
    monkeypatch.setattr(notes, "find_notes", lambda *_: alike)
    monkeypatch.setattr(locating, "_responses", lambda *_, mixed: [])
    known = []

    def measured(*_, mixed, known_s):
        known.append(known_s)
        return response(10.006, 24.0, right=right)

    monkeypatch.setattr(fine, "response", measured)
    sums = [response(start_s, 12.0) for start_s in (1.0, 5.0, 17.0)]

    found = _by_notes(clip, 0, mix, sums, (Possible(Line(17.0), 8.0),))

    assert found.confidence == expected
    assert known == [pytest.approx(0.012)]  # of a likeness 50 ms wide
    assert [place.line.start_s for place in found.possible] == [10.006, 17.0]
    assert found.spread_ms == 5.0


def test_a_place_that_notes_do_not_name_is_not_told_by_them(silence, monkeypatch):
    clip, mix = silence
    alike = (notes.Alike(10.0, 9.0, 0.04), notes.Alike(3.0, 8.0, 0.03))
    monkeypatch.setattr(notes, "find_notes", lambda *_: alike)
    monkeypatch.setattr(locating, "_responses", lambda *_, mixed: [])
    sums = [response(start_s, evidence) for start_s, evidence in ((1.0, 12.0), (5.0, 300.0), (17.0, 12.0))]

    assert _by_notes(clip, 0, mix, sums, ()) is None


@pytest.mark.parametrize(("evidence", "expected"), [(30.0, "likely"), (12.0, "none")])
def test_what_sums_say_of_strokes_counts_for_nothing(silence, monkeypatch, evidence, expected):
    clip, mix = silence
    alike = (notes.Alike(10.0, evidence, 0.05), notes.Alike(3.0, 8.0, 0.03))
    monkeypatch.setattr(notes, "find_notes", lambda *_: alike)
    monkeypatch.setattr(strokes, "only_strokes", lambda clip, voice: True)
    monkeypatch.setattr(fine, "response", lambda *_, **__: response(10.0, 24.0))
    sums = [response(start_s, evidence) for start_s, evidence in ((3.0, 300.0), (5.0, 12.0), (17.0, 12.0))]

    found = _by_notes(clip, 0, mix, sums, ())

    assert found.confidence == expected
    assert found.line.start_s == 10.0


@pytest.mark.parametrize(("told_s", "alone", "noted_s", "expected_s"), [
    (10.053, False, 10.0, 10.006),  # somebody talked over it
    (9.98, True, 10.0, 10.006),  # few windows agreed, where nothing else does
    (9.995, True, 10.0, 9.995),  # where windows agree they tell it best
    (10.053, False, 10.3, 10.053),  # notes choose another place
])  # fmt: skip
def test_notes_tell_when_a_place_begins_that_a_mix_tells_faintly(
    silence, monkeypatch, told_s, alone, noted_s, expected_s
):
    clip, mix = silence
    monkeypatch.setattr(notes, "find_notes", lambda *_: (notes.Alike(noted_s, 30.0, 0.03),))
    monkeypatch.setattr(fine, "response", lambda *_, **__: response(10.006, 24.0))
    places = (Possible(Line(told_s), 8.0), Possible(Line(30.0), 7.0))
    answer = Found("likely", "", "phase", mix.name, Line(told_s), 1.0, 5, 20, 0.3, places, alone=alone)

    told = _told_by_notes(clip, 0, mix, answer)

    assert [place.line.start_s for place in told.possible] == [expected_s, 30.0]
    assert told.line.start_s == expected_s
    assert told.confidence == "likely"
    assert (told.spread_ms, told.summed) == ((5.0, True) if expected_s != told_s else (1.0, False))


@pytest.mark.parametrize(("confidence_", "method", "against"), [
    ("sure", "phase", "mix"),
    ("ask", "phase", "mix"),
    ("likely", "onsets", "mix"),
    ("likely", "phase", "stem"),
])  # fmt: skip
def test_notes_are_asked_of_nothing_else(silence, monkeypatch, confidence_, method, against):
    clip, mix = silence
    monkeypatch.setattr(notes, "find_notes", lambda *_: pytest.fail("asked"))
    answer = Found(confidence_, "", method, against, Line(10.0), None, 0, 0, None, (Possible(Line(10.0), 8.0),))

    assert _told_by_notes(clip, 0, mix, answer) is answer


@pytest.mark.parametrize(("found_s", "expected"), [(10.001, "likely"), (9.83, "ask")])
def test_a_repeat_is_no_place_that_turns_out_to_be_the_same(silence, monkeypatch, found_s, expected):
    clip, mix = silence

    def responses(clip, voice, reference, lines, *, mixed):  # windows look 0.2 s around
        return [response(10.0 if line.start_s == 10.0 else found_s, 100.0) for line in lines]

    monkeypatch.setattr(locating, "_responses", responses)
    answer = Found("likely", "", "phase", mix.name, Line(10.0), None, 0, 0, None, (Possible(Line(10.0), 8.0),))

    assert _unless_masked(clip, 0, mix, answer, (-0.17,), mixed=True).confidence == expected


def test_a_first_place_without_windows_is_compared_with_nothing():
    second = PhaseLine(Fit(Line(1.0), 0.0), 2, 6, -1.0, np.ones(6))

    assert _phase_t(None, second) == 0.0  # the song is silent there: too few windows with sound on both sides
    assert _phase_t(second, None) > 0


def test_how_much_of_a_clip_lies_on_the_song():
    ten, forty = (features.hear(np.ones(length_s * RATE_HZ, np.float32)) for length_s in (10, 40))

    assert [_share(ten, forty, Line(start_s)) for start_s in (-4.0, 5.0, 37.0, 50.0)] == pytest.approx([0.6, 1, 0.3, 0])
    assert _share(forty, ten, Line(-20.0)) == 1.0
