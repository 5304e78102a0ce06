"""The judgement, rule by rule, and the statistics that it rests on."""

import numpy as np
import pytest

from partsong.lineup.confidence import (
    Signs,
    Together,
    halves_agree,
    judge,
    judge_repeats,
    judge_strokes,
    judge_together,
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
    ("chance", "runner_up", "t", "settled", "confidence"),
    [
        (-9, 0, 6, True, "sure"),
        (-9, 0, 6, False, "likely"),
        (-4, 0, 6, True, "likely"),
        (-4, 0, 6, False, "ask"),
        (-9, -8, 1, True, "ask"),
        (-9, -8, 3, True, "likely"),
        (-9, -8, 5, True, "sure"),
        (-1, 0, 0, True, "none"),
    ],
)
def test_all_windows_together(chance, runner_up, t, settled, confidence):
    assert judge_together(Together(chance, runner_up, t, settled, agreed=3)).confidence == confidence


@pytest.mark.parametrize(("agreed", "confidence"), [(0, "ask"), (1, "likely"), (2, "sure")])
def test_what_no_window_tells_by_itself_is_asked_about(agreed, confidence):
    # Another song of one tempo and one choir reached a chance of one in four million, with no window on the line.
    assert judge_together(Together(-6.6, 0.0, 3.0, True, agreed)).confidence == confidence


def test_strokes_are_never_sure():
    assert judge_strokes(20.0, 0.9, 60, True).confidence == "likely"
    assert judge_strokes(2.0, 0.9, 60, True).confidence == "ask"
    assert judge_strokes(20.0, 0.9, 60, False).confidence == "none"
    assert judge_strokes(0.8, 0.7, 13, True).confidence == "none"  # the highest t of 27 strangers


def test_exact_repeats_are_asked_about_unless_silence_tells():
    assert [judge_repeats(fewer).confidence for fewer in (0, 2, 3, 5)] == ["ask", "ask", "likely", "sure"]
