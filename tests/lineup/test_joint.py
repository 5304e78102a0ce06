"""What takes say of each other: raised where something independent agrees, lowered where it does not."""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from partsong.film.records import (
    Candidate,
    Clip,
    Evidence,
    MediaFile,
    PictureInfo,
    Placement,
    SoundInfo,
    Take,
    Timecode,
)
from partsong.lineup.joint import BY_OTHERS, alone, settle
from partsong.lineup.line import Line
from partsong.lineup.links import Link, camera_of, timecode_links
from partsong.timebase import Rate, Time

RATE = Rate.of(25)
SONG_S = 180.0
DELAY_S = 0.01
RANK = {"none": 0, "ask": 1, "likely": 2, "sure": 3}


def take(name, length_s=60, *, at=None, folder="a", kind="roaming"):
    """Make a take; ``at`` is what its camera's clock showed at the first frame, in seconds."""
    frames = round(length_s * 25)
    picture = PictureInfo(
        codec="h264",
        width=64,
        height=36,
        rate=RATE,
        frames=frames,
        pixel_format="yuv420p",
        bit_depth=8,
        timecode=None if at is None else Timecode(frame=round(at * 25)),
    )
    sound = SoundInfo(codec="pcm", rate_hz=48000, channels=1, layout="mono", samples=1)
    clip = Clip(
        file=MediaFile(path=f"{folder}/{name}.mov", size_bytes=1, fingerprint="0" * 32),
        container="mov",
        duration=Time.of(Fraction(frames, 25)),
        picture=picture,
        sound=sound,
    )
    return Take(id=name, kind=kind, part="drum" if kind == "stage" else None, clip=clip)


def found(name, confidence, start_s=None, candidates=(), **more):
    return Placement(
        take=name,
        confidence=confidence,
        start=None if start_s is None else Time.of(Fraction(str(start_s))),
        arrival_delay=Time.of(Fraction(str(DELAY_S))),
        candidates=tuple(Candidate(start=Time.of(Fraction(str(at))), score=9.0) for at in candidates),
        evidence=Evidence(method="phase"),
        sentence="Alone.",
        **more,
    )


def heard(one, other, start_s, drift_ppm=0.0):
    told = "which heard the same sound (9 of 9 windows agree)"
    return Link(one, other, "sound", Line(start_s, drift_ppm), 0.06, True, told, spread_ms=0.05)


def settled(takes, placements, links=()):
    links = [*links, *timecode_links(takes, {one.take: one for one in placements}, SONG_S)]
    return {one.take: one for one in settle(takes, placements, links, SONG_S)}


# --- by sound ---------------------------------------------------------------------------------------


def test_the_same_sound_carries_a_take_that_fits_nowhere_to_its_place():
    # The second camera starts 20 s after the first, and its microphone hears as late as the other one.
    done = settled(
        [take("a"), take("b", 30)], [found("a", "sure", 10), found("b", "none")], [heard("a", "b", 20, 40.0)]
    )["b"]

    # Heard but not placed by the song itself: it is not called sure.
    assert done.confidence == "likely"
    assert float(done.start) == pytest.approx(30, abs=2e-5)  # a sample of 48 kHz
    assert done.drift_ppm == pytest.approx(40, abs=1e-6)
    assert done.evidence.method == BY_OTHERS
    assert [(one.take, one.by, one.says) for one in done.evidence.witnesses] == [("a", "sound", "places")]
    assert "But a, which heard the same sound (9 of 9 windows agree), puts it at 00:30.00." in done.sentence
    assert alone(done).confidence == "none"


def test_each_takes_own_delay_is_counted():
    # b stands further away: sounds that line up mean pictures that do not.
    far = found("b", "none").replace(arrival_delay=Time.of(Fraction(3, 100)), delay_from="measured")
    done = settled([take("a"), take("b", 30)], [found("a", "sure", 10), far], [heard("a", "b", 20)])["b"]

    # a's sound starts at 9.99, b's so at 29.99, and its picture 30 ms later.
    assert float(done.start) == pytest.approx(30.02, abs=2e-5)


def test_a_link_reads_the_same_from_both_ends():
    link = heard("a", "b", 20, 40.0)
    back = link.seen_from("b")

    assert link.seen_from("a") is link
    for media_s in (0.0, 12.5, 60.0):
        # 1e-9: rounding.
        assert back.line.song_s(link.line.song_s(media_s)) == pytest.approx(media_s, abs=1e-9)


def test_twins_are_told_apart_by_a_take_that_was_there_at_all_of_them():
    takes = [take("a", 170), take("b", 20)]
    asked = found("b", "ask", candidates=(30, 45, 60))
    done = settled(takes, [found("a", "sure", 0), asked], [heard("a", "b", 45.003)])["b"]

    assert done.confidence == "sure"
    assert float(done.start) == pytest.approx(45.003, abs=2e-5)
    assert [float(one.start) for one in done.candidates] == pytest.approx([45.003, 30, 60], abs=2e-5)
    assert "points to the one at 00:45.00" in done.sentence


def test_a_take_that_heard_one_verse_only_cannot_choose_between_verses():
    # The loop of the drums is the same at 10 s and at 100 s; take a holds the first only, so b is bound to match it.
    takes = [take("a", 40), take("b", 20)]
    asked = found("b", "ask", candidates=(10, 100))
    done = settled(takes, [found("a", "sure", 0), asked], [heard("a", "b", 10)])["b"]

    assert (done.confidence, done.start) == ("ask", None)


def test_a_likely_take_becomes_sure_only_where_the_other_one_is():
    takes = [take("a", 170), take("b", 20)]
    agreed = [heard("a", "b", 40)]
    likely = found("b", "likely", 40.02, candidates=(40.02, 55))

    assert settled(takes, [found("a", "sure", 0), likely], agreed)["b"].confidence == "sure"
    assert settled(takes, [found("a", "likely", 0), likely], agreed)["b"].confidence == "likely"


def test_nothing_becomes_surer_than_what_it_leans_on():
    takes = [take("a", 170), take("b", 20), take("c", 20)]
    asked = found("b", "ask", candidates=(40,))
    done = settled(
        takes, [found("a", "likely", 0), asked, found("c", "none")], [heard("a", "b", 40), heard("b", "c", 5)]
    )

    assert [done[name].confidence for name in "abc"] == ["likely", "likely", "likely"]
    assert float(done["c"].start) == pytest.approx(45, abs=1e-4)


def test_two_sure_takes_at_odds_are_both_asked_about():
    done = settled(
        [take("a", 60), take("b", 60)], [found("a", "sure", 10), found("b", "sure", 30)], [heard("a", "b", 5)]
    )

    for name, own, other in (("a", 10, 25), ("b", 30, 15)):
        assert done[name].confidence == "ask"
        assert done[name].start is None
        assert [float(one.start) for one in done[name].candidates] == pytest.approx([own, other], abs=1e-4)
        assert "one of the two is wrong" in done[name].sentence
        assert done[name].evidence.witnesses[0].says == "contradicts"
    assert done["a"].evidence.witnesses[0].apart_ms == pytest.approx(-15000, abs=0.1)


def test_the_one_with_less_behind_it_gives_way():
    takes = [take("a", 60), take("b", 60), take("c", 60)]
    three = [found("a", "sure", 10), found("b", "sure", 15), found("c", "sure", 60)]
    done = settled(takes, three, [heard("a", "b", 5), heard("a", "c", 20), heard("b", "c", 15)])
    assert [done[name].confidence for name in "abc"] == ["sure", "sure", "ask"]
    # Both others say the same: it is told once.
    assert [float(one.start) for one in done["c"].candidates] == pytest.approx([60, 30], abs=1e-4)

    less = settled(takes[:2], [found("a", "sure", 10), found("b", "likely", 30)], [heard("a", "b", 5)])
    assert [less[name].confidence for name in "ab"] == ["sure", "ask"]


def test_two_that_point_elsewhere_leave_a_take_to_ask():
    takes = [take("a", 170), take("b", 170), take("c", 20)]
    done = settled(
        takes,
        [found("a", "sure", 0), found("b", "sure", 0), found("c", "none")],
        [heard("a", "c", 40), heard("b", "c", 80)],
    )["c"]

    assert (done.confidence, done.start) == ("ask", None)
    assert sorted(float(one.start) for one in done.candidates) == pytest.approx([40, 80], abs=1e-4)


def test_what_was_raised_and_is_then_contradicted_is_taken_back():
    # c hears a, d hears c, and e, which knows nothing of a, says that d lies elsewhere.
    takes = [take(name, 170) for name in "ade"] + [take("c", 20)]
    done = settled(
        takes,
        [found("a", "sure", 0), found("d", "none"), found("e", "none"), found("c", "none")],
        [heard("a", "c", 40), heard("c", "d", -40), heard("d", "e", 3), heard("c", "e", -30)],
    )

    assert done["a"].confidence == "sure"
    assert "sure" not in {done[name].confidence for name in "cde"}
    assert "ask" in {done["d"].confidence, done["e"].confidence}


# --- by hand ----------------------------------------------------------------------------------------


def test_what_a_person_placed_pulls_the_others_along_and_never_moves():
    takes = [take("a", 170), take("b", 20), take("c", 20)]
    hand = found("a", "sure", 0, by_hand=True)
    kept = found("c", "sure", 100, by_hand=True)
    done = settled(takes, [hand, found("b", "none"), kept], [heard("a", "b", 40), heard("a", "c", 40)])

    assert done["a"] == hand
    assert done["c"] == kept
    assert done["b"].confidence == "likely"
    assert "a (placed by hand)" in done["b"].sentence


def test_a_sure_take_that_a_person_contradicts_is_asked_about():
    hand = found("a", "sure", 0, by_hand=True)
    done = settled([take("a", 170), take("b", 20)], [hand, found("b", "sure", 60)], [heard("a", "b", 40)])

    assert (done["a"], done["b"].confidence) == (hand, "ask")


def test_what_a_person_took_off_the_song_stays_off_and_says_nothing():
    off = found("a", "none", by_hand=True)
    done = settled([take("a"), take("b")], [off, found("b", "none")], [heard("a", "b", 40)])

    assert done["a"] == off
    assert done["b"] == found("b", "none")


# --- by timecode ------------------------------------------------------------------------------------

NOON = 12 * 3600.0


def jammed(confidence_b, **more):
    """Two cameras with one clock and two clips each: the clock is proven in the first pair; b2 is not placed by sound.

    The song began at NOON for the first clips, and at NOON + 1000 for the second.
    """
    takes = [
        take("a1", at=NOON + 5, folder="a"),
        take("b1", at=NOON + 8, folder="b"),
        take("a2", 120, at=NOON + 1005, folder="a"),
        take("b2", 20, at=NOON + 1050, folder="b"),
    ]
    placements = [
        found("a1", "sure", 5.01),
        found("b1", "sure", 8.03),
        found("a2", "sure", 5.02),
        found("b2", confidence_b, **more),
    ]
    return takes, placements


def test_one_performance_does_not_prove_the_clocks_of_another():
    # Between the two a battery may have been changed: b2's clock is proven only while b1 ran.
    done = settled(*jammed("none"))["b2"]

    assert done.confidence == "none"
    assert float(done.candidates[0].start) == pytest.approx(50.02, abs=2e-5)
    assert "If the cameras' clocks ran on, it starts at 00:50.02, by a2." in done.sentence


def test_a_clock_proven_in_this_performance_places_what_ran_meanwhile():
    takes, placements = jammed("none")
    takes.append(take("b3", 20, at=NOON + 1015, folder="b"))
    placements.append(found("b3", "sure", 15.04))
    takes[3] = take("b2", 60, at=NOON + 1045, folder="b")
    done = settled(takes, placements)["b2"]

    assert done.confidence == "likely"
    assert float(done.start) == pytest.approx(45.02, abs=0.03)
    assert "to a frame" in done.sentence


def test_a_proven_clock_and_the_takes_own_sound_make_it_sure():
    takes, placements = jammed("ask", candidates=(35.2, 50.0, 64.8))
    takes.append(take("b3", 20, at=NOON + 1015, folder="b"))
    placements.append(found("b3", "sure", 15.04))
    done = settled(takes, placements)["b2"]

    assert done.confidence == "sure"
    assert float(done.start) == 50.0  # the sound's own reading, finer than a frame


def test_an_unproven_clock_may_choose_among_twins_but_not_make_sure():
    takes = [take("a", 120, at=NOON, folder="a"), take("b", 20, at=NOON + 50, folder="b")]
    done = settled(takes, [found("a", "sure", 0), found("b", "ask", candidates=(35.2, 50.01))])["b"]

    assert done.confidence == "likely"
    assert float(done.start) == pytest.approx(50.01, abs=2e-5)


def test_an_unproven_clock_that_could_hit_by_luck_does_not_choose():
    # Forty candidates a frame and a half wide, and the chance of a hit is no longer small.
    takes = [take("a", 120, at=NOON, folder="a"), take("b", 20, at=NOON + 50, folder="b")]
    many = tuple(30.01 + number for number in range(40))
    done = settled(takes, [found("a", "sure", 0), found("b", "ask", candidates=many)])["b"]

    assert done.confidence == "ask"


def test_a_clock_that_counts_recorded_frames_only_places_nothing():
    # One camera, three performances; its clock runs on from clip to clip without a gap, whatever was played.
    takes = [take(f"take-{number}", 60, at=NOON + 60 * number, folder="a") for number in range(3)]
    done = settled(takes, [found("take-0", "sure", 0), found("take-1", "none"), found("take-2", "none")])

    assert [one.confidence for one in done.values()] == ["sure", "none", "none"]
    # What would follow is kept to choose from.
    assert float(done["take-1"].candidates[0].start) == pytest.approx(60, abs=1e-4)


def test_a_proven_clock_contradicts_a_sure_take():
    takes, placements = jammed("sure", start_s=64.8)  # a bar too late
    takes.append(take("b3", 20, at=NOON + 1015, folder="b"))
    placements.append(found("b3", "sure", 15.04))
    done = settled(takes, placements)

    assert done["b2"].confidence == "ask"
    assert [done[name].confidence for name in ("a1", "b1", "a2", "b3")] == ["sure"] * 4


def test_clocks_at_zero_of_another_rate_or_of_one_camera_at_once_say_nothing():
    def links(*takes):
        return timecode_links(takes, {}, SONG_S)

    one = take("a", at=NOON, folder="a")
    assert len(links(one, take("b", at=NOON + 5, folder="b"))) == 1
    assert links(one, take("b", at=0, folder="b")) == ()
    assert links(one, take("b", folder="b")) == ()
    assert links(one, take("b", at=NOON + 5, folder="a")) == ()
    other = take("b", at=NOON + 5, folder="b")
    picture = other.picture.replace(rate=Rate.of(24))
    assert links(one, other.replace(clip=other.clip.replace(picture=picture))) == ()


def test_clocks_that_nothing_ties_together_suggest_nothing():
    # Two cameras that were both set to ten o'clock whenever they were switched on.
    takes = [take("a", at=36000, folder="a"), take("b", at=36010, folder="b")]

    assert settled(takes, [found("a", "sure", 0), found("b", "none")])["b"] == found("b", "none")


def test_midnight_is_no_gap():
    takes = [take("a", at=86390, folder="a"), take("b", at=10, folder="b")]

    assert timecode_links(takes, {}, SONG_S)[0].line.start_s == pytest.approx(20)


def test_stage_takes_are_of_one_camera_wherever_their_files_lie():
    assert camera_of(take("a", kind="stage", folder="x")) == camera_of(take("b", kind="stage", folder="y"))
    assert camera_of(take("a", folder="x")) != camera_of(take("b", folder="y"))


# --- always -----------------------------------------------------------------------------------------


def test_asking_again_counts_no_evidence_twice():
    takes = [take("a", 50, at=NOON, folder="a"), take("b", 20, at=NOON + 50, folder="a"), take("c", 20)]
    links = [heard("a", "c", 20)]
    once = settled(takes, [found("a", "sure", 0), found("b", "none"), found("c", "none")], links)
    again = settled(takes, list(once.values()), links)

    assert again == once
    # A place that only a clock suggested does not come back as the take's own.
    assert once["b"].confidence == "none"
    assert settled(takes, list(once.values()))["c"] == found("c", "none")


CONFIDENCES = st.sampled_from(["sure", "likely", "ask", "none"])


@settings(max_examples=200)
@given(st.data())
def test_no_take_becomes_surer_than_all_that_is_known_and_hands_are_left_alone(data):
    names = "abcde"
    placements = []
    for name in names:
        confidence = data.draw(CONFIDENCES)
        start = data.draw(st.sampled_from([0, 10, 20, 30])) if confidence in ("sure", "likely") else None
        candidates = () if start is not None else data.draw(st.sampled_from([(), (10,), (10, 20)]))
        by_hand = start is not None and confidence == "sure" and data.draw(st.booleans())
        placements.append(found(name, confidence, start, candidates, by_hand=by_hand))
    links = [
        heard(one, other, data.draw(st.sampled_from([-10, 0, 10])))
        for number, one in enumerate(names)
        for other in names[number + 1 :]
        if data.draw(st.booleans())
    ]
    done = settled([take(name) for name in names], placements, links)

    surest = max(RANK[one.confidence] for one in placements)
    for before in placements:
        after = done[before.take]
        assert RANK[after.confidence] <= surest
        if before.by_hand:
            assert after == before
        if after.confidence == "sure" and before.confidence != "sure":
            # Its own sound points there as well.
            own = [before.start] if before.start else [one.start for one in before.candidates]
            assert any(abs(float(one) - float(after.start)) <= 0.06 for one in own)
        # No two takes that are both called sure are set at odds by a link, hands aside.
    for link in links:
        one, other = done[link.one], done[link.other]
        if {one.confidence, other.confidence} == {"sure"} and not (one.by_hand and other.by_hand):
            assert abs(float(other.start) - float(one.start) - link.line.start_s) <= 0.13
