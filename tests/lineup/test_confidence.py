"""The judgement, rule by rule, and the statistics that it rests on."""

import numpy as np
import pytest

from partsong.lineup.confidence import (
    Odds,
    Responses,
    Signs,
    halves_agree,
    judge,
    judge_notes,
    judge_odds,
    judge_parts,
    judge_repeats,
    judge_response,
    judge_shapes,
    judge_strokes,
    judge_turns,
    paired_t,
)


def test_paired_t_agrees_with_scipy():
    from scipy.stats import ttest_rel

    rng = np.random.default_rng(3)
    one, other = rng.normal(1, 1, 30), rng.normal(0.5, 1, 30)

    # 1e-12: the same formula.
    assert paired_t(one, other) == pytest.approx(ttest_rel(one, other).statistic, rel=1e-12)


def test_paired_t_of_nothing():
    assert paired_t([1, 2], [0, 0]) == 0.0
    assert paired_t([1, 1, 1], [1, 1, 1]) == 0.0
    assert paired_t([np.nan, 1, 2], [0, np.nan, 1]) > 0


def test_halves():
    both = np.array([[3, 3, 3, 3], [1, 1, 1, 1]])
    split = np.array([[3, 0, 3, 0], [1, 1, 1, 1]])

    assert halves_agree(both, 0)
    assert not halves_agree(split, 0)
    assert not halves_agree(both[:, :3], 0)


@pytest.mark.parametrize(
    ("signs", "confidence"),
    [
        (Signs(silent=True), "none"),
        (Signs(places=0), "none"),
        (Signs(places=8, z=30, log10_chance=-20), "sure"),
        (Signs(places=8, z=30, log10_chance=-20, runner_up_log10_chance=-15, phase_t=6), "sure"),
        (Signs(places=8, z=30, log10_chance=-20, runner_up_log10_chance=-19, phase_t=0.4), "ask"),
        (Signs(places=8, z=30, log10_chance=-4.5), "likely"),
        (Signs(places=8, z=30, log10_chance=-6.2, spread_ms=0.14, height=3.7), "ask"),  # another song on that celesta
        (Signs(places=8, z=30, log10_chance=-6.2, spread_ms=0.01, height=4.4), "sure"),  # a violin far away in a hall
        (Signs(places=8, z=30, log10_chance=-20, spread_ms=0.3, height=12), "sure"),  # a player who moves
        (Signs(places=8, z=30, log10_chance=-3), "ask"),
        (Signs(places=8, z=30, halves_agree=True, blocks=20, onset_t=6, onset_fit=0.3), "sure"),
        (Signs(places=8, z=30, halves_agree=True, blocks=20, onset_t=4, onset_fit=0.3), "likely"),
        (Signs(places=8, z=30, halves_agree=False, blocks=20, onset_t=6, onset_fit=0.3), "none"),
        (Signs(places=8, z=30, halves_agree=True, blocks=20, onset_t=2, onset_fit=0.3), "ask"),
        (Signs(places=8, z=40, halves_agree=False, blocks=20, onset_t=0.2, onset_fit=0.4), "none"),
        (Signs(places=8, z=4.5, halves_agree=True, blocks=20, onset_t=2), "none"),
    ],
)
def test_rules(signs, confidence):
    judgement = judge(signs)

    assert judgement.confidence == confidence
    assert judgement.reason


@pytest.mark.parametrize(
    ("signs", "confidence"),
    [
        (Responses(3200, 50, 7, 20, True), "sure"),
        (Responses(3200, 50, 7, 20, False), "likely"),
        (Responses(3200, 50, 7, 11, True), "likely"),
        (Responses(60, 15, 7, 20, True), "likely"),
        (Responses(60, 15, 7, 20, False), "ask"),
        (Responses(60, 30, 7, 20, True), "ask"),
        (Responses(60, 20, 7, 20, True, mixed=True), "likely"),
        (Responses(60, 30, 7, 20, True, mixed=True), "ask"),
        (Responses(94, 62, 7, 11, True, mixed=True), "none"),  # the highest lead of another song against a mix
        (Responses(2666, 2083, 7, 25, True, mixed=True), "none"),  # and in as many windows
        (Responses(67, 43, 7, 22, True, mixed=True), "none"),
        (Responses(390, 135, 7, 15, True), "ask"),  # another song, a third of it beyond the song's end
        (Responses(3200, 50, 7, 20, True, share=0.6), "ask"),
        (Responses(679, 72, 7, 18, True, share=0.74), "ask"),  # another song, a quarter of it beyond the song's end
        (Responses(3200, 50, 7, 20, False, share=0.6), "none"),
        (Responses(390, 135, 7, 15, True, onsets_log10_chance=-3), "likely"),
        (Responses(68, 18, 7, 15, False, mixed=True), "likely"),
        (Responses(68, 26, 7, 15, False, mixed=True), "ask"),
        (Responses(35.2, 17.8, 10, 22, True, mixed=True), "none"),  # another song, talked over
        (Responses(85, 55, 7, 11, False, mixed=True), "none"),  # another song
        (Responses(57, 18, 7, 7, True, mixed=True), "likely"),
        (Responses(549, 199, 7, 7, True, onsets_log10_chance=-3.8), "likely"),
        (Responses(549, 199, 7, 7, True), "ask"),
        (Responses(30, 20, 7, 20, True, onsets_log10_chance=-4), "likely"),
        (Responses(30, 20, 7, 20, True, onsets_log10_chance=-3), "ask"),
        (Responses(3200, 50, 2, 20, True), "none"),  # too few other places to say what chance reaches
        (Responses(3200, 50, 7, 9, True), "likely"),  # eight seconds
        (Responses(3200, 50, 7, 9, False), "none"),
        (Responses(58, 18, 7, 9, True), "ask"),  # another song reached this in nine windows
        (Responses(3200, 50, 7, 5, True), "none"),
        # The highest leads of thirty songs and talks that did not belong.
        (Responses(1744, 1094, 7, 24, True), "none"),
        (Responses(229, 134, 7, 13, True), "none"),
    ],
)
def test_responses(signs, confidence):
    assert judge_response(signs).confidence == confidence


def test_strokes_are_never_sure():
    assert judge_strokes(20.0, 2.9, 24, True).confidence == "likely"
    assert judge_strokes(1.6, 1.2, 24, True).confidence == "ask"
    assert judge_strokes(20.0, 2.9, 24, False).confidence == "none"
    assert judge_strokes(1.2, 1.1, 20, True).confidence == "none"
    assert judge_strokes(0.2, 1.02, 20, False, toneless=True).confidence == "ask"
    assert judge_strokes(20.0, 2.9, 24, True, swells=True).confidence == "ask"


@pytest.mark.parametrize(("t", "lead", "toneless"), [
    (2.41, 1.25, True), (1.63, 1.34, True),  # the highest against 128 songs that the strokes were not played to
    (2.89, 1.22, False), (3.62, 1.30, False), (3.43, 1.37, False), (3.75, 1.19, False),  # drums of 205 other songs
])  # fmt: skip
def test_what_strangers_reached_is_never_placed(t, lead, toneless):
    assert judge_strokes(t, lead, 24, True, toneless).confidence == "ask"


def test_strokes_with_tones_must_stand_out_more():
    # Of 128 clips of keys three were not told to be nothing but strokes; the faintest of them that was right.
    assert judge_strokes(7.19, 2.71, 24, True).confidence == "likely"
    assert judge_strokes(3.0, 1.3, 24, True, toneless=True).confidence == "likely"
    assert judge_strokes(3.0, 1.3, 24, True).confidence == "ask"
    assert judge_strokes(2.1, 1.16, 24, True, toneless=True, mixed=True).confidence == "likely"
    assert judge_strokes(2.1, 1.16, 24, True, toneless=True).confidence == "ask"
    assert judge_strokes(3.0, 1.3, 24, True, mixed=True).confidence == "ask"


def test_shapes_of_notes_place_or_leave_it():
    # 1.55 is the most of 372 other songs' stems.
    clear, faint = (judge_strokes(t, 1.4, 24, True, toneless=True, mixed=True) for t in (2.4, 1.55))

    assert judge_shapes(clear, alike=True).confidence == "likely"
    assert "40 ms" in judge_shapes(clear, alike=False).reason
    assert "40 ms" not in judge_shapes(clear, alike=True).reason
    assert judge_shapes(faint, alike=True) is None


@pytest.mark.parametrize(("odds", "toneless", "swells", "likely"), [
    (Odds(11.0, 1.8, True), True, False, True),
    (Odds(11.0, 1.8, True), True, True, False),
    (Odds(11.0, 1.8, True), False, False, False),
    (Odds(19.0, 1.9, True), False, False, True),
    (Odds(30.0, 4.0, False), True, False, False),
    (Odds(17.1, 0.8, True), True, False, False),  # the highest of other songs
    (Odds(14.4, 1.31, True), True, False, False),
    (Odds(7.9, 1.54, True), True, False, False),
    (Odds(8.0, 1.6, True), False, False, False),
])  # fmt: skip
def test_where_strokes_are_likeliest_is_likely_with_odds(odds, toneless, swells, likely):
    told = judge_odds(odds, 20, toneless, swells)

    assert (told is not None) == likely
    assert judge_odds(odds, 7, toneless, swells) is None  # a few stretches tell nothing


@pytest.mark.parametrize(("odds", "toneless", "likely"), [
    (Odds(11.0, 1.4, True), True, True),
    (Odds(15.1, 0.75, True), True, False),  # other songs
    (Odds(9.9, 0.76, True), True, False),
    (Odds(8.4, 1.1, True), True, False),
    (Odds(23.0, 0.61, False), True, False),
    (Odds(13.3, 1.0, False), True, False),
    (Odds(7.9, 1.2, False), True, False),
    (Odds(10.2, 1.4, False), True, False),
    (Odds(26.9, 1.73, False), True, True),
    (Odds(26.9, 1.73, False), False, False),
    (Odds(13.0, 1.4, True), False, False),  # drums, it may be
    (Odds(22.0, 1.4, True), False, True),
    (Odds(36.2, 1.14, True), True, True),  # far ahead in sum
    (Odds(36.2, 1.14, False), True, False),
    (Odds(36.2, 1.14, True), False, False),
])  # fmt: skip
def test_where_strokes_are_likeliest_as_one_part_is_likely_with_odds(odds, toneless, likely):
    assert (judge_parts(odds, 20, toneless) is not None) == likely
    assert judge_parts(odds, 7, toneless) is None


def test_odds_are_of_the_first_place_over_whichever_comes_nearest():
    first = np.array([3.0, 4.0, 5.0, 4.0, 3.0, 4.0])

    odds = Odds.of([first, first - [2, 2, 2, 2, 2, 3], first - [8, -1, 8, 0, 8, 0]])

    assert odds.lead == 13.0
    assert odds.t == pytest.approx(paired_t(first, first - [8, -1, 8, 0, 8, 0]))
    assert not odds.agree  # odd stretches choose the third
    assert Odds.of([first]) == Odds(0.0, 0.0, False)


def test_turns_are_asked_about_unless_a_beginning_or_end_tells():
    within, begun = (judge_turns(4.0, lead, 0.5, mixed=False) for lead in (0.0, 5.3))

    assert (within.confidence, begun.confidence) == ("ask", "likely")
    assert "every 4.00 s" in within.reason
    # As loops reached them, behind a mix and on a stem; the last is a wrong turn's.
    assert [judge_turns(4.0, lead, 0.93, mixed=True).confidence for lead in (3.21, 0.28)] == ["likely", "ask"]
    assert [judge_turns(4.0, lead, 0.21, mixed=False).confidence for lead in (5.5, 3.5)] == ["likely", "ask"]


@pytest.mark.parametrize(
    ("lead", "alike", "mixed"),
    [(5.2, 0.06, False), (5.13, 0.08, False), (6.09, 0.08, False), (4.8, 0.692, True), (4.84, 0.513, True)],
)
def test_loops_of_other_songs_are_not_placed(lead, alike, mixed):
    # As other loops of the same tempo and kit reached them.
    verdict = judge_turns(4.0, lead, alike, mixed=mixed)

    assert verdict.confidence == "ask"
    assert "another song's" in verdict.reason


@pytest.mark.parametrize(
    ("lead", "of_both", "share", "right", "expected"),
    [
        (24.4, 0.5, 1.0, 0.99, "likely"),
        (10.2, 0.5, 1.0, 0.87, "likely"),
        (14.2, 0.5, 1.0, 0.71, "likely"),
        (25.6, 0.5, 1.0, 0.47, "ask"),  # tones that swell and little evidence
        (9.5, 0.5, 1.0, 0.96, "likely"),
        (6.9, 0.5, 1.0, 0.97, "ask"),  # another song, once
        (14.0, 0.5, 0.7, 0.99, "ask"),
        (5.5, 0.5, 1.0, 0.99, "none"),  # another song
        (6.0, 17.6, 1.0, 0.99, "likely"),  # a verse and the next one, and no other place comes near
        (5.3, 12.5, 1.0, 0.99, "likely"),
        (5.3, 12.5, 0.7, 0.99, "ask"),
        (6.5, 3.1, 1.0, 0.99, "ask"),  # two places of another song
        (2.1, 12.5, 1.0, 0.99, "none"),  # wrong places of the song itself
    ],
)
def test_notes_and_sound_together(lead, of_both, share, right, expected):
    verdict = judge_notes(lead, of_both, share, right)

    assert verdict.confidence == expected
    assert ("some 20 ms" in verdict.reason) == (expected == "likely" and right < 0.8)


def test_exact_repeats_are_asked_about_unless_silence_tells():
    assert [judge_repeats(fewer).confidence for fewer in (0, 2, 3, 5)] == ["ask", "ask", "likely", "sure"]
