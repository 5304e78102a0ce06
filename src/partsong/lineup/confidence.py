"""How sure: `sure`, `likely`, `ask` or `none`, from what was measured, with the reason in words.

A high score alone proves little: another song in the same tempo correlates well at every beat, and a repeated bar
correlates as well as the right one. What counts is

* **agreement**: in how many windows the sound itself, down to half a millisecond, lies on one straight line, against
  the odds that so many would by chance;
* **the runner-up**: whether the best place beats the next one in nearly every stretch of the clip (a paired t over
  blocks), not just in sum;
* **halves**: whether the even and the odd blocks, each on their own, choose the same place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from partsong.film.records import Confidence

LEAST_SHARE = 0.8
"""Sums are believed where so much of the clip, or of a song that is shorter, lies on the song."""


@dataclass(frozen=True, slots=True)
class Signs:
    """What the measurements say about a clip's best place and the one after it.

    ``log10_chance`` and ``runner_up_log10_chance`` are of the phase windows (0: no agreement at all); ``phase_t`` and
    ``onset_t`` paired t of best against runner-up; ``blocks`` how many two-second blocks the onsets were compared in.
    ``spread_ms`` is how far in the median the windows that agree lie from their line, and ``height`` the median
    correlation of all windows on it, in scatters.
    """

    silent: bool = False
    places: int = 0
    z: float = 0.0
    log10_chance: float = 0.0
    runner_up_log10_chance: float = 0.0
    phase_t: float = 0.0
    onset_t: float = 0.0
    onset_fit: float = 0.0
    halves_agree: bool = False
    blocks: int = 0
    spread_ms: float = 0.0
    height: float = 0.0

    @property
    def agreeing(self) -> bool:
        """Whether windows agree, each by itself, in numbers that chance does not bring.

        The same performance agrees to a part of a sample (0.08 ms at most in 22 takes in halls, all but one of the
        right ones 0.03); a player who moves spreads it, but only where it is heard well. Five of ten windows of another
        song on the same celesta lay on a line by 0.14 ms, at a height of 3.7.
        """
        return self.log10_chance <= -4 and (self.spread_ms <= 0.1 or self.height >= 6)


@dataclass(frozen=True, slots=True)
class Judgement:
    """A confidence, what it rests on (``phase``, ``onsets`` or nothing), and why, in words."""

    confidence: Confidence
    method: str
    reason: str


_NOTHING = Judgement("none", "none", "No place stands out: probably another song, or too little is heard of this one")


def judge(signs: Signs) -> Judgement:
    """Say how sure a placement is.

    The limits were set on synthesised songs whose truth is known; ``bench/lineup_truth.py`` measures them on others.
    """
    if signs.silent:
        return Judgement("none", "none", "Nothing is heard in this clip: its sound track is silent")
    if signs.places == 0:
        return Judgement("none", "none", "Nothing in this clip can be compared with the song")
    if signs.agreeing:
        alone = signs.runner_up_log10_chance > -2
        if signs.log10_chance <= -6 and (alone or signs.phase_t >= 4):
            return Judgement("sure", "phase", "The sound itself agrees with the song")
        if alone or signs.phase_t >= 2.5:
            return Judgement("likely", "phase", "The sound itself agrees with the song, in few windows")
        return Judgement(
            "ask", "phase", "The sound fits two places of the song equally well: the music repeats exactly"
        )
    if signs.halves_agree and signs.blocks >= 10 and signs.onset_t >= 5 and signs.onset_fit >= 0.12:
        return Judgement(
            "sure", "onsets", "The notes start where they do in the song, though it is another performance"
        )
    if signs.halves_agree and signs.blocks >= 6 and signs.onset_t >= 3.5 and signs.onset_fit >= 0.04:
        return Judgement(
            "likely", "onsets", "The notes start where they do in the song, but the sound itself could not be matched"
        )
    if signs.log10_chance <= -2.5:
        return Judgement("ask", "phase", "The sound itself agrees with the song in a few windows, too few to rely on")
    if signs.halves_agree and signs.z >= 7 and signs.onset_t >= 1.5:
        return Judgement("ask", "onsets", "One place fits a little better than the others, too little to rely on")
    if signs.z < 7:
        return Judgement("none", "none", "What is heard resembles the song nowhere: too quiet, or something else")
    return _NOTHING


@dataclass(frozen=True, slots=True)
class Responses:
    """What the sums of all windows say about the place with the most evidence of a room's response.

    ``evidence`` is that place's and ``rival`` that of the best of ``rivals`` other places, as natural logarithms of a
    likelihood ratio; ``windows`` how many were summed; ``settled`` whether even and odd ones put the direct sound
    alike. ``onsets_log10_chance`` is that of the search by onsets, where it puts the same place first (else 0), and
    ``mixed`` says that the reference holds more than the part. ``share`` of the clip (or of the song, if
    that is shorter) lies on the song there.
    """

    evidence: float
    rival: float
    rivals: int
    windows: int
    settled: bool
    onsets_log10_chance: float = 0.0
    mixed: bool = False
    share: float = 1.0


def judge_response(signs: Responses) -> Judgement:
    """Say how sure a place is at which all windows together show a room's response.

    A song's other places say what music of one key reaches by itself: of songs that do not belong, the best place had
    up to 2.9 times the evidence of the next one where even and odd windows settled on one instant, and in fewer than
    ten windows up to 6.5 times where they did not. In a mix, whose many notes are more alike everywhere, it was 1.98
    times, settled or not: what leads by less is left to notes and sums together (:func:`judge_notes`). Less does where
    the search by onsets chose the same place.
    """
    method, lead = "phase", signs.evidence / max(signs.rival, 10.0)
    if signs.share < LEAST_SHARE:  # a few shared notes at a song's end led by up to 9.4 times, three songs of ninety so
        if signs.windows >= 6 and signs.rivals >= 3 and signs.settled and lead >= 2:
            return Judgement("ask", method, "The sound itself agrees with the song, but little of the clip lies on it")
        return _NOTHING
    told = signs.windows >= 10 and signs.rivals >= 3
    enough, unsettled = (2.5, 3.5) if signs.mixed else (2.5 if signs.onsets_log10_chance <= -2.5 else 4.0, 8.0)
    few = 6 <= signs.windows < 10 and signs.rivals >= 3 and signs.settled
    if told and signs.settled and signs.evidence >= 100 and signs.windows >= 14 and lead >= 5:
        return Judgement("sure", method, "The sound itself agrees with the song, faintly but all along")
    if told and signs.evidence >= 30 and lead >= (enough if signs.settled else unsettled):
        return Judgement("likely", method, "The sound itself agrees with the song, more than at any other place")
    if few and (signs.evidence >= 40 and lead >= 2.5 if signs.mixed else signs.evidence >= 100 and lead >= 4):
        return Judgement("likely", method, "The sound itself agrees with the song, in a short stretch of it")
    onsets = signs.onsets_log10_chance
    both = (lead >= 1.4 and onsets <= -3.5) or (lead >= 1.2 and onsets <= -5)
    if (told and signs.settled and both) or (few and lead >= 2 and onsets <= -3.5):
        return Judgement("likely", method, "The sound itself and the note starts choose the same place")
    if (told or few) and (lead >= 2 or (lead >= 1.2 and onsets <= -2.5)):
        return Judgement("ask", method, "The sound itself agrees with the song, too faintly to rely on")
    return _NOTHING


def judge_strokes(
    t: float,
    lead: float,
    blocks: int,
    agree: bool,
    toneless: bool = False,
    swells: bool = False,
    *,
    mixed: bool = False,
) -> Judgement:
    """Say how sure a place is at which strokes fall as notes do: never `sure`, since keys and notes are two things.

    Where nothing but strokes is heard (``toneless``) the sound can say no more, and a person is asked, as where tones
    are told long after their keys (``swells``). Of 128 songs that such strokes were not played to, none passed a ``t``
    of 2.41; ``lead`` is over the next place. Against a mix (``mixed``), which is scored in another way, none of 800
    with a lead of 1.15 passed 1.59. Where more is heard, it may be drums, whose sound would agree if they were the
    song's own: those of other songs, of one tempo and with fills in the same bars, reached 3.8 and 1.4.
    """
    reason = "What is heard are strokes, and they fall where the part's notes start"
    least_t, least_lead = ((2.0, 1.15) if mixed else (2.75, 1.2)) if toneless else (5.0, 1.6)
    if swells and agree and t >= 1.5 and blocks >= 6:
        return Judgement("ask", "onsets", "Only strokes are heard, and tones that swell do not tell when they started")
    if agree and t >= least_t and lead >= least_lead and blocks >= 8:
        return Judgement("likely", "onsets", reason)
    if agree and t >= 1.5 and blocks >= 6:
        return Judgement("ask", "onsets", f"{reason}, but no better than at other places by much")
    if toneless and blocks >= 6:
        return Judgement("ask", "onsets", "Only strokes are heard, and notes start where they fall at several places")
    return _NOTHING


@dataclass(frozen=True, slots=True)
class Odds:
    """How much likelier events are at one place than at any other.

    ``lead`` is a natural logarithm, over the next likeliest place; ``t`` the paired t over stretches against whichever
    comes nearest, and ``agree`` whether even and odd stretches choose the place alike.
    """

    lead: float
    t: float
    agree: bool

    @classmethod
    def of(cls, scores: ArrayLike) -> Odds:
        """Return them from the logarithms (places, blocks), the likeliest place first; no odds at all of one place."""
        rows = np.asarray(scores, np.float64)
        if len(rows) < 2:
            return cls(0.0, 0.0, False)
        first, *others = rows
        return cls(
            float(first.sum() - others[0].sum()), min(paired_t(first, other) for other in others), halves_agree(rows, 0)
        )


def judge_odds(odds: Odds, blocks: int, toneless: bool, swells: bool) -> Judgement | None:
    """Say whether a place is `likely` at which strokes are likeliest, as :func:`judge_strokes` does; None where not.

    Against 623 other songs' stems and mixes the highest were a lead of 17.1 with a ``t`` of 0.79, 14.4 with 1.31, and
    7.9 with 1.54. Drums of other songs reached 8 and 1.6.
    """
    least = 10 if toneless else 12
    if swells or blocks < 8 or not (odds.agree and odds.lead >= least and odds.t >= 1.7):
        return None
    return Judgement("likely", "onsets", "What is heard are strokes, and they are likeliest where these notes start")


def judge_parts(odds: Odds, blocks: int, toneless: bool) -> Judgement | None:
    """Say whether a place is `likely` at which strokes are likeliest as one part of a mix; None where it is not.

    Of 2,754 other songs' mixes one reached a ``t`` of 1.2, with a ``lead`` of 7.9, and where even and odd stretches
    agreed none; eight reached 1, with leads up to 13.3, and those that agreed led by 15.1 at most. Wrong
    places of the song itself (in 306 stretches and whole clips) never reached 0.6.
    """
    far_apart = toneless and odds.agree and odds.t >= 0.9 and odds.lead >= 20
    least_lead = (9 if odds.agree else 12) if toneless else 20
    apart = odds.t >= 1.2 and odds.lead >= least_lead and (odds.agree or toneless)
    if blocks < 8 or not (apart or far_apart):
        return None
    return Judgement("likely", "onsets", "What is heard are strokes, and they are likeliest as one part's notes")


def judge_shapes(told: Judgement, alike: bool) -> Judgement | None:
    """Say whether a place is `likely` at which keys alone are heard and a stem's notes start by their shape.

    None where it is not. ``told`` is what strokes said, compared as with a mix and judged so: 372 other songs' stems
    reached a ``t`` of 1.55. ``alike`` says that what rises in the stem chose the same place; otherwise it is told to
    some 40 ms.
    """
    if told.confidence != "likely":
        return None
    return told if alike else Judgement("likely", "onsets", f"{told.reason}, told to some 40 ms where they swell")


def judge_notes(lead: float, of_both: float, share: float, right: float) -> Judgement:
    """Say how sure a place is that the notes that are heard and the sums of all windows choose together.

    ``lead`` and ``of_both`` are those of :class:`partsong.lineup.pooled.Pooled`. Another song's mix, a band's in the
    same tempo, once led by 6.9, wrong places of the song itself by 2.1; of 53 clips that are left to this 45 reached
    8.5, all at the right place. Both first places of other songs led by 3.1 at most (540). ``share`` of the clip lies
    on the song there, and ``right`` is how probably the place is told to 20 ms: that of 44 adds up to 42, and 43 were.
    """
    reason = "The notes that are heard and the sound itself choose the same place of the mix"
    comes_back = of_both >= 6
    if lead < (5 if comes_back else 6):
        return _NOTHING
    if share < LEAST_SHARE:
        return Judgement("ask", "phase", f"{reason}, but little of the clip lies on it")
    if lead < 8.5 and not comes_back:
        return Judgement("ask", "phase", f"{reason}, but it is no better than others by much")
    if right < 0.65:
        return Judgement("ask", "phase", f"{reason}, but do not tell it to 20 ms")
    return Judgement("likely", "phase", reason if right >= 0.8 else f"{reason}, told to some 20 ms")


def judge_turns(turn_s: float, lead: float, alike: float, *, mixed: bool) -> Judgement:
    """Say how sure the first place of a loop is whose turns are ``turn_s`` long: its sound fits all of them alike.

    Only where it begins and ends tells; ``lead`` is how much likelier that makes the first place than the second, as a
    logarithm of odds. Loops of other songs, of one tempo and kit, reached any lead, but with a stem up to 0.09 in
    ``alike`` (58 of them; the song's own 0.155 or more). Behind a mix, where it is compared through a room, theirs
    reached 0.69, and all but one 0.65 (1,129; decisions 0239, 0244). Of 106 of the song's own nine in ten have 0.72 or
    more and a lead of 3, and all are on the right turn (0248); on a stem a wrong one led by 3.5.
    """
    told = f"The music repeats exactly every {turn_s:.2f} s"
    if alike < (0.72 if mixed else 0.12):
        return Judgement("ask", "phase", f"{told}, and only part of a turn is in the song: perhaps another song's loop")
    if lead >= (3 if mixed else 4):
        return Judgement("likely", "phase", f"{told}, but begins or ends in the clip as it does in the song")
    return Judgement("ask", "phase", f"{told}, and fits all its turns alike")


def judge_repeats(fewer: int) -> Judgement:
    """Say how sure one of several exact repeats is that leaves ``fewer`` seconds unexplained than any other.

    Unexplained is a second in which either the clip or the song is silent and the other is not.
    """
    if fewer >= 3:
        sure: Confidence = "sure" if fewer >= 5 else "likely"
        return Judgement(
            sure, "phase", "The music repeats exactly, but begins or ends in the clip as it does in the song"
        )
    return Judgement("ask", "phase", "The sound fits two places of the song equally well: the music repeats exactly")


def paired_t(one: ArrayLike, other: ArrayLike) -> float:
    """Return Student's t of paired values: the mean difference against its standard error.

    Missing values (NaN) count as zero; fewer than three pairs give 0, as does no difference at all.

    Examples
    --------
    >>> round(paired_t([3, 4, 6], [1, 1, 2]), 3)
    5.196
    """
    difference = np.nan_to_num(np.asarray(one, np.float64)) - np.nan_to_num(np.asarray(other, np.float64))
    if difference.size < 3 or not difference.any():
        return 0.0
    # A floor under the scatter keeps a few equal differences from looking like certainty.
    scatter = max(float(difference.std(ddof=1)), 0.05 * float(np.abs(difference).mean()))
    return float(difference.mean()) / (scatter / math.sqrt(difference.size))


def halves_agree(blocks: ArrayLike, best: int) -> bool:
    """Say whether even and odd blocks, each alone, rank the same place first.

    Parameters
    ----------
    blocks : array_like, shape (places, blocks)
        The score of every place in every block; NaN counts as zero.
    best : int
        The place in question.
    """
    scores = np.nan_to_num(np.asarray(blocks, np.float64))
    if scores.shape[1] < 4:
        return False
    return all(int(np.argmax(scores[:, half::2].mean(axis=1))) == best for half in (0, 1))
