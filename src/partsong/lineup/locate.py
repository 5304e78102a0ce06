"""One clip against its references: from what was heard to where it lies, how sure that is, and what else it might be.

Everything here is in sound times; :mod:`partsong.lineup.arrival` turns them into picture times.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from partsong.film.records import Confidence
from partsong.lineup import coarse, confidence, fine, folds, notes, pooled, repeats, strokes, sweep
from partsong.lineup.features import RATE_HZ, TONE_RATE_HZ, Floats, Heard
from partsong.lineup.fine import OnsetLine, PhaseLine, Response
from partsong.lineup.line import Line
from partsong.lineup.pace import pace
from partsong.lineup.parts import Starts, starts_in

_QUICK, _FULL = 24, 64  # windows of the phase transform while ranking, and for the answer
_SUMMED, _ALL = 40, 128  # and of those that are summed, which overlap
_BY_SOUND, _BY_ONSETS, _BY_NOTES = 6, 5, 4  # places that each search names for that
_MORE = 4  # places that are offered because strokes are likely there, and because a mix names them where a stem asks
_NOTHING_BELOW = -2.5  # a runner-up's agreement counts only where chance is this unlikely
_TELLING = 40.0  # evidence of a response that is worth looking for exact repeats
_CLOSE = 0.6  # a place with this share of the best one's evidence is worth asking about
_SUSPECTS = 6  # moves that are tried before a place is believed to have no exact repeat
_TURN = 0.3  # a turn of a loop has at least this share of another's evidence, whatever else the mix plays there
_RIVALS = 3  # repeats that are compared window by window; exact ones are all alike
_SAME_TURN_S = 0.02
_SAME_INSTANT_S = 0.02
_TURNING_S = 240.0  # a loop shows in the middle four minutes of a clip
_SAME_STROKES_S = 0.025  # what rises and the shape of notes tell keys as near to each other, but for tones that swell
_TOLD_LATE_S = 0.02  # shapes tell tones that swell 18 to 45 ms after their keys, and others 5 ms before to 22 after
_LONGEST_SWELL_S = 0.5
_LOUD = 0.15  # of the louder moments, 16 dB: a second above this holds music, and one below it a room


@dataclass(frozen=True)
class Reference:
    """What a clip is compared with: the ``name`` is how a person would call it (the mix, the cajón stem).

    ``listen`` hears what starts in it, or knows it from another time.
    """

    name: str
    heard: Heard
    listen: Callable[[Heard], Starts] = starts_in

    @cached_property
    def flat(self) -> Floats:
        """Its sound, flattened to look for repeats."""
        return repeats.flattened(self.heard, 0)

    @cached_property
    def level(self) -> Floats:
        """Its sound, flattened to be swept."""
        return sweep.level_song(self.heard)

    @cached_property
    def starts(self) -> Floats:
        """Where its notes start, to compare strokes with."""
        return strokes.note_starts(self.heard)

    @cached_property
    def shaped_starts(self) -> Floats:
        """The same by the shape of notes alone: where they swell it tells their beginning."""
        return strokes.shaped_starts(self.starting.likely)

    @cached_property
    def starting(self) -> Starts:
        """How likely which note starts when, and what single parts of it may play where it is a mix."""
        return self.listen(self.heard)

    @cached_property
    def mixed_starts(self) -> Floats:
        """The same where it is a mix: heard by the shape of notes too."""
        return strokes.note_starts(self.heard, pitches=self.starting.likely)


@dataclass(frozen=True, slots=True)
class Possible:
    """A place where the clip might lie: the line of its sound, and the score of the search."""

    line: Line
    score: float


@dataclass(frozen=True, slots=True)
class Found:
    """The answer for one clip. ``line`` is the best place's even where the confidence says not to rely on it."""

    confidence: Confidence
    reason: str
    method: str
    against: str
    line: Line | None
    spread_ms: float | None
    agreed: int
    tried: int
    margin: float | None
    possible: tuple[Possible, ...]
    alone: bool = False  # windows agree each by itself, in numbers that chance does not bring
    summed: bool = False  # the place rests on the sum of all windows, and the spread is that of their halves
    silence: bool = False  # it fits other places as well, and is told from them by where the music begins and ends


@dataclass(frozen=True, slots=True)
class _Looked:
    place: coarse.Place
    onsets: OnsetLine
    phase: PhaseLine | None

    @property
    def line(self) -> Line:
        return self.phase.fit.line if self.phase and self.phase.log10_chance <= -4 else self.onsets.line

    @property
    def chance(self) -> float:
        return self.phase.log10_chance if self.phase else 0.0


def locate(clip: Heard, references: Sequence[Reference]) -> Found:
    """Find where a clip lies on the song.

    Parameters
    ----------
    clip : Heard
        The camera's own sound.
    references : sequence of Reference
        On the song's time line, the best first: the part's stem where there is one, then the mix.
    """
    return _located(clip, references, alone=False)


def locate_alone(clip: Heard, references: Sequence[Reference]) -> Found:
    """Do the same by windows that agree each by itself, and by nothing else: where they do not, it stops there.

    That is all that proves two takes to have heard the same sound, and a small part of the work where they did not.
    """
    return _located(clip, references, alone=True)


def _located(clip: Heard, references: Sequence[Reference], *, alone: bool) -> Found:
    audible = [number for number, voice in enumerate(clip.voices) if not voice.silent]
    if not audible:
        return _nothing(confidence.judge(confidence.Signs(silent=True)), references)
    answers = [_locate_voice(clip, voice, references, alone=alone) for voice in audible]
    return max(answers, key=lambda answer: (_RANK[answer.confidence], answer.agreed))


_RANK = {"none": 0, "ask": 1, "likely": 2, "sure": 3}


def measure_at(clip: Heard, references: Sequence[Reference], near: Line) -> Line:
    """Return the line measured around a place that a person chose: by phase where it agrees, else by onsets."""
    looked = [
        _look(clip, voice, [reference], 0, coarse.Place(near.start_s, 0.0), _FULL)
        for reference in references
        for voice in range(len(clip.voices))
    ]
    best = min(range(len(looked)), key=lambda number: looked[number].chance)
    if looked[best].chance <= -4:
        return looked[best].line
    reference, voice = references[best // len(clip.voices)], best % len(clip.voices)
    return _paced(clip, voice, reference, looked[best].onsets.line)


def _locate_voice(clip: Heard, voice: int, references: Sequence[Reference], *, alone: bool) -> Found:
    envelopes = [reference.heard.voices[0] for reference in references]
    places = coarse.find_places(clip.voices[voice], envelopes)
    if not places:
        return _nothing(confidence.judge(confidence.Signs()), references)
    chosen, looked, best = 0, [_look(clip, voice, references, 0, place, _QUICK) for place in places], 0
    for number in range(len(references)):  # the next reference is asked only where the sound agrees with none before it
        if number:
            looked = [_look(clip, voice, references, number, place, _QUICK) for place in places]
        best = _best(looked)
        if looked[best].chance <= -4:
            chosen = number
            break
    answer = _answer(clip, voice, references, chosen, looked, best)
    if answer.alone:  # windows agree by themselves: only an exact repeat could mislead
        answer = _told_from_repeats(clip, voice, references[chosen], answer, own=chosen < len(references) - 1)
        answer = answer if alone else _told_by_notes(clip, voice, references[-1], answer)
        return _with_turns(clip, voice, references, answer)
    if alone:
        return answer
    answer = _of_sound(clip, voice, answer)
    responded, sums = _by_response(clip, voice, references, places, answer.possible)
    answer = _better(answer, _of_sound(clip, voice, responded) if responded else None)
    asked = False
    for number, reference in enumerate(references):
        short = max(clip.length_s, reference.heard.length_s) <= strokes.LONGEST_S
        if short and _RANK[answer.confidence] < _RANK["likely"]:
            struck = _by_strokes(clip, voice, reference, answer.possible, mixed=number == len(references) - 1)
            if struck and (struck.confidence == "likely" or not asked):
                answer, asked = _better(answer, struck), struck.confidence == "ask"
            elif struck and struck.confidence == "ask":  # no better than a stem, but it names other places
                answer = replace(answer, possible=_joined(answer.possible, struck.possible[:_MORE]))
    if short and _RANK[answer.confidence] < _RANK["likely"]:
        answer = _better(answer, _by_notes(clip, voice, references[-1], sums, answer.possible))
    else:
        answer = _told_by_notes(clip, voice, references[-1], answer)
    return _with_turns(clip, voice, references, answer)


def _with_turns(clip: Heard, voice: int, references: Sequence[Reference], answer: Found) -> Found:
    """Place a loop by where it begins and ends, or ask, with all its turns as candidates.

    Only what windows of the part's own stem said one by one stands, if silence had not to tell it from other turns: by
    whole seconds that may be one turn off, and a loop of another song, from the same machine, agrees to the sample
    wherever both strike. The sum of all windows knows no turns, and what else is played with the loop's sounds hides
    them in a mix.
    """
    placed = _RANK[answer.confidence] >= _RANK["likely"]
    alone = answer.alone and not answer.silence
    if placed and alone and any(reference.name == answer.against for reference in references[:-1]):
        return answer
    length_s = min(clip.length_s, _TURNING_S)
    first_s = (clip.length_s - length_s) / 2
    first, length = round(first_s * RATE_HZ), round(length_s * RATE_HZ)
    flat = repeats.flattened(clip, voice, first, length)
    turn_s = repeats.own_turn_s(flat)
    if turn_s is None:
        return answer
    for number, reference in enumerate(references):
        long, mixed = reference.heard.length_s > strokes.LONGEST_S, number == len(references) - 1
        if long:
            continue
        if mixed:
            sounds = clip.window(voice, first, length), reference.heard.window(0, 0, len(reference.heard.samples))
            found = folds.turns_behind(sounds[0], flat, turn_s, sounds[1], reference.flat)
        else:
            found = repeats.turns(flat, turn_s, reference.flat)
        if found is None:
            continue
        turning = [Possible(Line(line.song_s(-first_s), line.drift_ppm), found.z) for line in found.lines]
        verdict = confidence.judge_turns(found.turn_s, found.lead, found.alike, mixed=mixed)
        if verdict.confidence == "ask":
            told = [place for place in answer.possible if _beside(place, turning)]
        else:
            told = [Possible(_by_phase(clip, voice, reference, turning[0].line), found.z)]
        return replace(
            answer,
            confidence=verdict.confidence,
            reason=verdict.reason,
            method=verdict.method,
            against=reference.name,
            line=(told or turning)[0].line,
            possible=(
                *told,
                *(place for place in turning if not _beside(place, told)),
                *(place for place in answer.possible if not _beside(place, turning)),
            ),
        )
    reason = "The music repeats exactly, and none of its turns stands out of the song"
    return replace(answer, confidence="ask", reason=reason) if placed else answer


def _by_phase(clip: Heard, voice: int, reference: Reference, line: Line) -> Line:
    """Return a place's line as its windows tell it, where they agree with it."""
    windows = fine.windows_of(clip, reference.heard, line, _FULL)
    phase = fine.phase_line(clip, voice, reference.heard, 0, line, windows)
    near = phase is not None and abs(phase.fit.line.start_s - line.start_s) <= _SAME_TURN_S
    return phase.fit.line if phase is not None and near and phase.log10_chance <= -4 else line


def _beside(place: Possible, others: Sequence[Possible]) -> bool:
    return any(abs(place.line.start_s - other.line.start_s) <= _SAME_TURN_S for other in others)


def _told_from_repeats(clip: Heard, voice: int, reference: Reference, answer: Found, *, own: bool) -> Found:
    """Compare a place with its exact repeats, if it has any, by where the music begins and ends.

    Only the part's ``own`` stem is silent where the part is; the mix plays on.
    """
    line = answer.line
    assert line is not None
    moves = repeats.find_repeats(clip, voice, reference.flat, line)
    if not any(_as_good(clip, voice, reference.heard, line, move) for move in moves[:_RIVALS]):
        if answer.confidence == "ask":
            return _with_repeats(answer, line, moves)
        if own:  # nothing hides a repeat there
            return answer
        faint = repeats.find_repeats(clip, voice, reference.flat, line, least=repeats.FAINT)
        return _unless_masked(clip, voice, reference, answer, faint, mixed=True)
    lines = [line, *(Line(line.start_s + move, line.drift_ppm) for move in moves)]
    unexplained = [_unexplained_s(clip.voices[voice].peaks, reference.heard.voices[0].peaks, place) for place in lines]
    order = np.argsort(unexplained, kind="stable")
    verdict = confidence.judge_repeats(int(unexplained[order[1]] - unexplained[order[0]]) if own else 0)
    score = answer.possible[0].score if answer.possible else 0.0
    return replace(
        answer,
        confidence=verdict.confidence,
        reason=verdict.reason,
        line=lines[order[0]],
        possible=tuple(Possible(lines[number], score) for number in order),
        silence=True,
    )


def _unless_masked(
    clip: Heard, voice: int, reference: Reference, answer: Found, moves: Sequence[float], *, mixed: bool
) -> Found:
    """Ask about a place whose exact repeats the rest of a mix hides from single windows, but not from all of them."""
    responses = _responses(clip, voice, reference, [answer.line] if answer.line and moves else [], mixed=mixed)
    if not responses:
        return answer
    here, line = responses[0], responses[0].fit.line
    moved = [Line(line.start_s + move, line.drift_ppm) for move in moves]

    def elsewhere(lines: Sequence[Line]) -> list[Response]:  # a short move finds the place itself again
        found = _responses(clip, voice, reference, lines, mixed=mixed)
        return [one for one in found if abs(one.fit.line.start_s - line.start_s) > coarse.APART_S]

    first = elsewhere(moved[:_SUSPECTS])
    if all(one.evidence < _CLOSE * here.evidence for one in first):
        return answer
    turns = [one for one in (*first, *elsewhere(moved[_SUSPECTS:])) if one.evidence >= _TURN * here.evidence]
    asked = confidence.judge_repeats(0)
    asking = replace(answer, confidence=asked.confidence, reason=asked.reason, method=asked.method)
    return _with_repeats(asking, line, [one.fit.line.start_s - line.start_s for one in turns])


def _with_repeats(answer: Found, line: Line, moves: Sequence[float]) -> Found:
    """Return a question with all repeats among its candidates: the search by onsets keeps a few of them only."""
    starts_s = [place.line.start_s for place in answer.possible]
    more = [
        Possible(Line(line.start_s + move, line.drift_ppm), 0.0)
        for move in moves
        if all(abs(line.start_s + move - start_s) > coarse.APART_S for start_s in starts_s)
    ]
    return replace(answer, possible=(*answer.possible, *more))


def _as_good(clip: Heard, voice: int, reference: Heard, line: Line, move_s: float) -> bool:
    """Say whether a moved line fits as well window by window: the same notes from the same instrument do not."""
    windows = fine.windows_of(clip, reference, line, _QUICK)
    lines = (line, Line(line.start_s + move_s, line.drift_ppm))
    here, there = (fine.phase_line(clip, voice, reference, 0, place, windows) for place in lines)
    if here is None or there is None or there.log10_chance > _NOTHING_BELOW:
        return False
    return confidence.paired_t(here.heights, there.heights) < 4


def _unexplained_s(clip: Floats, reference: Floats, line: Line) -> int:
    """Count the whole seconds in which the clip is heard and the reference is silent, or the other way round."""
    heard, played = _heard_seconds(clip), reference
    loud = _LOUD * float(np.percentile(reference, 95))
    count = 0
    for second, is_heard in enumerate(heard):
        first = round(line.song_s(second) * TONE_RATE_HZ)
        stretch = played[max(first, 0) : max(first + TONE_RATE_HZ, 0)]
        count += bool(is_heard) != bool(stretch.size and float(stretch.sum()) / TONE_RATE_HZ > loud)
    return count


def _heard_seconds(peaks: Floats) -> NDArray[np.bool_]:
    whole = peaks[: len(peaks) // TONE_RATE_HZ * TONE_RATE_HZ].reshape(-1, TONE_RATE_HZ).mean(axis=1)
    return np.asarray(whole > _LOUD * float(np.percentile(peaks, 95)), np.bool_)


def _by_strokes(clip: Heard, voice: int, song: Reference, possible: Sequence[Possible], *, mixed: bool) -> Found | None:
    """Find the places at which strokes fall as the stem's, or the mix's, notes do."""
    if mixed:
        found = strokes.find_strokes(clip, voice, song.mixed_starts, mixed=True, parts=song.starting.guessed)
    else:
        found = strokes.find_strokes(clip, voice, song.starts)
    if found is None:
        return None
    verdict, fits = _struck(found, mixed=mixed)
    lead = found.lead
    if not mixed and found.toneless and verdict.confidence != "likely":
        verdict, fits, lead = _heard_again(clip, voice, song, found, verdict)
    line = _paced(clip, voice, song, Line(fits[0].lag_s))
    places = [Possible(line, fits[0].z), *(Possible(Line(fit.lag_s), fit.z) for fit in fits[1:])]
    likely = [Possible(Line(fit.lag_s), fit.z) for fit in found.likeliest[:_MORE]]
    return Found(
        confidence=verdict.confidence,
        reason=verdict.reason,
        method=verdict.method,
        against=song.name,
        line=line,
        spread_ms=None,
        agreed=0,
        tried=0,
        margin=1 - min(1 / lead, 1.0),
        possible=_joined(places, [*likely, *possible]),
    )


def _joined(places: Sequence[Possible], more: Sequence[Possible]) -> tuple[Possible, ...]:
    """Return places and those of some more that are none of them."""
    joined = list(places)
    for place in more:
        if all(abs(place.line.start_s - one.line.start_s) > coarse.APART_S for one in joined):
            joined.append(place)
    return tuple(joined)


def _struck(found: strokes.Strokes, *, mixed: bool) -> tuple[confidence.Judgement, tuple[strokes.Fit, ...]]:
    """Judge where strokes fall by their correlation, and if that does not place them by how likely they are."""
    verdict = confidence.judge_strokes(
        found.t, found.lead, found.blocks, found.halves_agree, found.toneless, found.swells, mixed=mixed
    )
    likely = (
        confidence.judge_parts(found.odds, found.blocks, found.toneless)
        if found.of_parts
        else confidence.judge_odds(found.odds, found.blocks, found.toneless, found.likeliest_swells)
    )
    if verdict.confidence == "likely" or likely is None:
        return verdict, found.fits
    first = found.likeliest[0]
    return likely, (first, *(fit for fit in found.fits if fit.lag_s != first.lag_s))


def _heard_again(
    clip: Heard, voice: int, stem: Reference, found: strokes.Strokes, verdict: confidence.Judgement
) -> tuple[confidence.Judgement, tuple[strokes.Fit, ...], float]:
    """Compare strokes with the shape of a stem's notes where what rises did not place them, or tones swell.

    Returns the judgement, the places and the first one's lead over the next.
    """
    shaped = strokes.find_strokes(clip, voice, stem.shaped_starts, mixed=True)
    if shaped is None:
        return verdict, found.fits, found.lead
    told, (first, *others) = _struck(shaped, mixed=True)
    alike = not found.swells and abs(first.lag_s - found.fits[0].lag_s) <= _SAME_STROKES_S
    begun = found.fits[0] if alike else strokes.Fit(first.lag_s - _TOLD_LATE_S, first.z)
    placed = confidence.judge_shapes(told, alike)
    if placed is not None:
        return placed, (begun, *others), shaped.lead
    sooner_s = found.fits[0].lag_s - begun.lag_s
    ahead = found.swells and 0 < sooner_s < _LONGEST_SWELL_S
    return verdict, (begun, *found.fits) if ahead else (*found.fits, begun), found.lead


def _by_notes(
    clip: Heard, voice: int, mix: Reference, sums: Sequence[Response], possible: Sequence[Possible]
) -> Found | None:
    """Find where the notes that are heard and the sums of all windows together put a clip on the mix.

    ``sums`` are those at the places that other searches named; they are asked of the first that notes name, too. Where
    nothing but strokes seems to be heard they count for nothing: a rhythm answers them.
    """
    alike = notes.find_notes(clip, voice, mix.starting.likely)
    counted = not strokes.only_strokes(clip, voice)
    asked_s = [_at_middle_s(clip, one.fit.line) for one in sums]
    fresh = [Line(note.slip_s) for note in alike[:_BY_NOTES]
             if counted and all(abs(note.slip_s - slip_s) > coarse.APART_S for slip_s in asked_s)]  # fmt: skip
    summed = [
        pooled.Told(_at_middle_s(clip, one.fit.line), one.evidence * counted)
        for one in (*sums, *_responses(clip, voice, mix, fresh, mixed=True))
        if _share(clip, mix.heard, one.fit.line) >= confidence.LEAST_SHARE
    ]
    chosen = pooled.pool(summed, [pooled.Told(note.slip_s, note.evidence) for note in alike])
    if chosen is None:
        return None
    note = min(alike, key=lambda note: abs(note.slip_s - chosen.slip_s))
    if abs(note.slip_s - chosen.slip_s) > pooled.SAME_S:
        return None
    response = _response_near(clip, voice, mix, note)
    if response is None:
        return None
    line = response.fit.line
    verdict = confidence.judge_notes(
        chosen.lead, chosen.of_both, _share(clip, mix.heard, Line(note.slip_s)), response.right
    )
    places = [Possible(line, 0.0), *(place for place in possible if not _beside(place, [Possible(line, 0.0)]))]
    return Found(
        confidence=verdict.confidence,
        reason=verdict.reason,
        method=verdict.method,
        against=mix.name,
        line=line,
        spread_ms=response.deviation_ms,
        agreed=0,
        tried=response.tried,
        margin=1 - math.exp(-chosen.lead),
        possible=tuple(places),
        summed=True,
    )


def _told_by_notes(clip: Heard, voice: int, mix: Reference, answer: Found) -> Found:
    """Return a place that is likely by the sound of a mix at the instant that all windows and the notes tell together.

    A low tone swells in a room for longer than a place may be off, and talk answers talk; notes are heard to begin.
    Where windows agree by themselves, few as they are, they tell the instant best, unless it lies far from the other.
    """
    faint = answer.line is not None and answer.confidence == "likely" and answer.method == "phase"
    short = max(clip.length_s, mix.heard.length_s) <= strokes.LONGEST_S
    if not (faint and short and answer.against == mix.name):
        return answer
    assert answer.line is not None
    at_s = _at_middle_s(clip, answer.line)
    first = notes.find_notes(clip, voice, mix.starting.likely)[:1]
    near = [note for note in first if abs(note.slip_s - at_s) <= coarse.APART_S]
    response = _response_near(clip, voice, mix, near[0]) if near else None
    if response is None:
        return answer
    line = response.fit.line
    if answer.alone and abs(_at_middle_s(clip, line) - at_s) <= _SAME_INSTANT_S:
        return answer
    score = answer.possible[0].score if answer.possible else 0.0
    return replace(
        answer,
        line=line,
        spread_ms=response.deviation_ms,
        agreed=0,
        tried=response.tried,
        possible=(Possible(line, score), *answer.possible[1:]),
        alone=False,
        summed=True,
    )


def _response_near(clip: Heard, voice: int, mix: Reference, note: notes.Alike) -> Response | None:
    """Return what all windows say around a place that notes told, and as near to it as they told it."""
    line = Line(note.slip_s)
    windows = fine.windows_of(clip, mix.heard, line, _ALL, dense=True)
    return fine.response(clip, voice, mix.heard, 0, line, windows, mixed=True, known_s=note.known_s)


def _by_response(
    clip: Heard,
    voice: int,
    references: Sequence[Reference],
    places: Sequence[coarse.Place],
    possible: Sequence[Possible],
) -> tuple[Found | None, list[Response]]:
    """Find the place at which all windows together show a room's response, against each reference until one is sure.

    Returns it, and what the sums against the mix said of all places; nothing where the mix was not asked.
    """
    best: Found | None = None
    sums: list[Response] = []
    for number, reference in enumerate(references):
        mixed = number == len(references) - 1
        seen = _responses(clip, voice, reference, _named(clip, voice, reference, places), mixed=mixed)
        sums = seen if mixed else []
        found = _responding(clip, voice, reference, seen, places, possible, mixed=mixed)
        if found and (best is None or _RANK[found.confidence] > _RANK[best.confidence]):
            best = found
        if best and best.confidence == "sure":
            break
    return best, sums


def _of_sound(clip: Heard, voice: int, found: Found) -> Found:
    """Only ask about a place where nothing but strokes is heard: what answers them there is a rhythm, not a room.

    Onsets read tones that swell as late as they are loud; strokes are compared with where notes start.
    """
    if _RANK[found.confidence] < _RANK["likely"] or not strokes.only_strokes(clip, voice):
        return found
    return replace(found, confidence="ask", reason="What is heard are strokes, and sound agrees with the song at them")


def _responses(clip: Heard, voice: int, reference: Reference, around: Sequence[Line], *, mixed: bool) -> list[Response]:
    found = [_response(clip, voice, reference.heard, line, _SUMMED, mixed=mixed) for line in around]
    return [response for response in found if response]


def _response(clip: Heard, voice: int, reference: Heard, line: Line, most: int, *, mixed: bool) -> Response | None:
    windows = fine.windows_of(clip, reference, line, most, dense=True)
    return fine.response(clip, voice, reference, 0, line, windows, mixed=mixed)


def _responding(
    clip: Heard,
    voice: int,
    reference: Reference,
    seen: Sequence[Response],
    places: Sequence[coarse.Place],
    possible: Sequence[Possible],
    *,
    mixed: bool,
) -> Found | None:
    """Judge the place with the most evidence of a response beside all others that either search gave."""
    if not seen:
        return None
    middle_s = clip.length_s / 2

    def far(one: Line, other: Line) -> bool:
        return abs(float(one.slip_s(middle_s) - other.slip_s(middle_s))) > coarse.APART_S

    first = max(seen, key=lambda response: response.evidence)
    rivals = [response for response in seen if far(response.fit.line, first.fit.line)]
    rival = _rival(first, rivals)
    best = _response(clip, voice, reference.heard, first.fit.line, _ALL, mixed=mixed) or first
    line = best.fit.line
    verdict = confidence.judge_response(
        confidence.Responses(
            evidence=first.evidence,
            rival=rival,
            rivals=len(rivals),
            windows=first.tried,
            settled=best.settled,
            onsets_log10_chance=0.0 if far(Line(places[0].lag_s), line) else places[0].log10_chance,
            mixed=mixed,
            share=_share(clip, reference.heard, line),
        )
    )
    score = possible[0].score if possible else 0.0
    others = sorted(rivals, key=lambda response: -response.evidence)
    rest = [Possible(other.fit.line, 0.0) for other in others[:_RIVALS] if other.evidence > _CLOSE * first.evidence]
    rest += [place for place in possible if far(place.line, line) and all(far(place.line, one.line) for one in rest)]
    found = Found(
        confidence=verdict.confidence,
        reason=verdict.reason,
        method=verdict.method,
        against=reference.name,
        line=line,
        spread_ms=best.fit.spread_ms,
        agreed=0,
        tried=best.tried,
        margin=1 - min(rival / first.evidence, 1.0) if first.evidence > 0 else 0.0,
        possible=(Possible(line, score), *rest),
        summed=True,
    )
    if first.evidence < _TELLING:
        return found
    moves = repeats.find_repeats(clip, voice, reference.flat, line)
    return _unless_masked(clip, voice, reference, found, moves, mixed=mixed)


def _named(clip: Heard, voice: int, reference: Reference, places: Sequence[coarse.Place]) -> list[Line]:
    """Return the places that the search by sound names, then those by onsets."""
    short = max(clip.length_s, reference.heard.length_s) <= sweep.LONGEST_S
    sounding = sweep.find_sounding(clip, voice, reference.level, _BY_SOUND) if short else ()
    lags_s = [place.slip_s for place in sounding]
    for place in places[: _BY_ONSETS if sounding else None]:
        if all(abs(place.lag_s - lag_s) > coarse.APART_S for lag_s in lags_s):
            lags_s.append(place.lag_s)
    return [Line(lag_s) for lag_s in lags_s]


def _at_middle_s(clip: Heard, line: Line) -> float:
    return float(line.slip_s(clip.length_s / 2))


def _share(clip: Heard, song: Heard, line: Line) -> float:
    """Return how much of the clip, or of the song if that is shorter, lies on the song."""
    on_it_s = min(clip.length_s, song.length_s - line.start_s) - max(0.0, -line.start_s)
    return max(on_it_s, 0.0) / min(clip.length_s, song.length_s)


def _rival(first: Response, others: Sequence[Response]) -> float:
    """Return the highest evidence of other places, as if each had as many windows as the first has, where it has fewer.

    A place at which the clip hangs over the song's end has fewer windows to speak for it. The first place gains nothing
    by having few: what a few windows say by luck is the larger part of it.
    """
    return max((other.evidence * min(max(first.tried / other.tried, 1.0), 2.0) for other in others), default=0.0)


def _better(answer: Found, other: Found | None) -> Found:
    """Choose between what windows and onsets said one by one and what all said together, or strokes."""
    if other is None or _RANK[other.confidence] < _RANK[answer.confidence]:
        return answer
    if other.confidence == answer.confidence == "none":
        return answer
    if answer.line and other.line and _RANK[answer.confidence] >= _RANK["likely"]:
        apart = abs(answer.line.start_s - other.line.start_s) > coarse.APART_S
        if apart:
            return replace(other, confidence="ask", reason="Onsets and the sound itself point to different places")
    return other


def _answer(
    clip: Heard, voice: int, references: Sequence[Reference], chosen: int, looked: Sequence[_Looked], best: int
) -> Found:
    reference = references[chosen].heard
    first = looked[best]
    others = [number for number in range(len(looked)) if number != best and _apart(looked[number], first)]
    windows = fine.windows_of(clip, reference, first.line, _FULL)
    phase = fine.phase_line(clip, voice, reference, 0, first.line, windows)
    blocks = np.stack([found.onsets.blocks for found in looked])
    z = first.place.z
    margin = None
    second_phase = None
    if others:
        second = min(others, key=lambda number: (min(looked[number].chance, _NOTHING_BELOW), -looked[number].place.z))
        second_phase = fine.phase_line(clip, voice, reference, 0, looked[second].line, windows)
        margin = 1 - looked[second].place.z / z if z > 0 else 0.0
    kept = [best, *others]
    signs = confidence.Signs(
        places=len(looked),
        z=z,
        log10_chance=phase.log10_chance if phase else 0.0,
        runner_up_log10_chance=second_phase.log10_chance if second_phase else 0.0,
        phase_t=_phase_t(phase, second_phase),
        onset_t=_onset_t(blocks, best, others),
        onset_fit=_mean(blocks[best]),
        halves_agree=confidence.halves_agree(blocks[kept], 0),
        blocks=int(np.isfinite(blocks[best]).sum()),
        spread_ms=phase.fit.spread_ms if phase else 0.0,
        height=float(np.median(phase.heights)) if phase else 0.0,
    )
    verdict = confidence.judge(signs)
    by_phase = verdict.method == "phase" and phase is not None
    if by_phase and phase is not None and second_phase is not None and phase.agreed:
        margin = max(0.0, 1 - second_phase.agreed / phase.agreed)
    line = phase.fit.line if by_phase and phase is not None else _paced(clip, voice, references[0], first.onsets.line)
    return Found(
        confidence=verdict.confidence,
        reason=verdict.reason,
        method=verdict.method,
        against=references[chosen].name if by_phase else " and ".join(reference.name for reference in references),
        line=line,
        spread_ms=phase.fit.spread_ms if by_phase and phase is not None else None,
        agreed=phase.agreed if phase else 0,
        tried=phase.tried if phase else 0,
        margin=None if margin is None else min(max(margin, 0.0), 1.0),
        possible=tuple(
            Possible(line if number == best else looked[number].line, looked[number].place.z) for number in kept
        ),
        alone=by_phase and signs.agreeing,
    )


def _look(
    clip: Heard, voice: int, references: Sequence[Reference], chosen: int, place: coarse.Place, most: int
) -> _Looked:
    envelopes = [reference.heard.voices[0] for reference in references]
    onsets = fine.onset_line(clip.voices[voice], envelopes, place.lag_s)
    reference = references[chosen].heard
    windows = fine.windows_of(clip, reference, onsets.line, most)
    return _Looked(place, onsets, fine.phase_line(clip, voice, reference, 0, onsets.line, windows))


def _paced(clip: Heard, voice: int, reference: Reference, line: Line) -> Line:
    """Return a line that only onsets told with the drift that they tell, none where they do not; its middle stays."""
    first_s, stop_s = max(0.0, -line.start_s), min(clip.length_s, reference.heard.length_s - line.start_s)
    middle_s = (first_s + max(stop_s, first_s)) / 2
    slip_s = float(line.slip_s(middle_s))
    drift_ppm = pace(clip.voices[voice], reference.heard.voices[0], slip_s) or 0.0
    return Line(slip_s - drift_ppm * 1e-6 * middle_s, drift_ppm)


def _best(looked: Sequence[_Looked]) -> int:
    """Return the place where the sound itself agrees best; where it does nowhere, the one that the search put first."""
    return min(range(len(looked)), key=lambda number: (min(looked[number].chance, -4.0), -looked[number].place.z))


def _apart(one: _Looked, other: _Looked) -> bool:
    return abs(one.line.start_s - other.line.start_s) > coarse.APART_S


def _phase_t(best: PhaseLine | None, second: PhaseLine | None) -> float:
    """Return the paired t of two places over the same windows; 0 where the best has too few that tell anything."""
    if best is None:
        return 0.0
    return confidence.paired_t(best.heights, second.heights if second else np.zeros_like(best.heights))


def _onset_t(blocks: NDArray[np.float64], best: int, others: Sequence[int]) -> float:
    """Return the paired t of the best place against whichever other place comes nearest to it."""
    if not others:
        return 0.0
    return min(confidence.paired_t(blocks[best], blocks[other]) for other in others)


def _mean(values: NDArray[np.float64]) -> float:
    heard = values[np.isfinite(values)]
    return float(heard.mean()) if heard.size else 0.0


def _nothing(verdict: confidence.Judgement, references: Sequence[Reference]) -> Found:
    against = " and ".join(reference.name for reference in references)
    return Found(verdict.confidence, verdict.reason, verdict.method, against, None, None, 0, 0, None, ())
