"""What takes say of each other's places: raised where independent evidence agrees, lowered where it does not.

Each take was placed alone first, by its own sound and picture or by a person. Then the links between takes
(:mod:`partsong.lineup.links`) are asked:

* **Lower.** Two placed takes that a proven link sets at odds cannot both be right. The one with less behind it is
  asked about; both are where neither has more. A person's placement stays.
* **Raise.** A take that is not sure is carried to where a placed one points. It becomes no surer than that one, nor
  than the link, and ``sure`` only where its own sound points there as well.
* **Twins.** Where music repeats exactly, two takes sound the same at either place. So a link by sound chooses
  only among places at which the other take was there to be compared with.
* **Clock.** A take whose own drift could not be read runs like its camera's others (:mod:`partsong.lineup.clocks`).

The answer follows from what each take said *alone*, which is kept: asking again, with other takes or after a person
placed one, gives no evidence twice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from partsong.film.records import Alone, Candidate, Confidence, Evidence, Placement, Take, Witness
from partsong.lineup.clocks import camera_clocks, with_clock
from partsong.lineup.line import Line
from partsong.lineup.links import Link
from partsong.timebase import Time, clock

BY_OTHERS = "other takes"
"""The method of evidence where a take is placed by others alone."""

MOST_LUCK = 0.02
"""A clock that is not proven may choose among a take's places only where a hit by luck is this unlikely."""

_RANK: Mapping[Confidence, int] = {"none": 0, "ask": 1, "likely": 2, "sure": 3}
_COVERED = 0.9  # of what two takes share at one place, they must share at another for the link to have chosen between
_COMPARED_S = 8.0  # had two takes shared this much where they were placed, the link would have found them there
_SLACK_S = 0.02  # two links from one take may err against each other


def alone(placement: Placement) -> Placement:
    """Return a placement as it was before other takes were asked.

    >>> alone(Placement(take="roam-1", confidence="none")).confidence
    'none'
    """
    own = placement.alone
    if own is None:
        return placement
    return placement.replace(**{name: getattr(own, name) for name in type(own).model_fields}, alone=None)


def settle(
    takes: Sequence[Take], placements: Sequence[Placement], links: Sequence[Link], song_s: float
) -> tuple[Placement, ...]:
    """Return the placements of a film with what the takes say of each other.

    Parameters
    ----------
    takes : sequence of Take
        Those of the film.
    placements : sequence of Placement
        As they are; what other takes said before is forgotten first.
    links : sequence of Link
        Between takes of the film.
    song_s : float
        The length of the song.

    Returns
    -------
    tuple of Placement
        In the same order; one that others have nothing to say of is as it was alone, and one by hand as it was.
    """
    lengths = {take.id: float(take.clip.duration) for take in takes}
    said = {found.take: found if found.by_hand else alone(found) for found in placements}
    known = [link for link in links if link.one in said and link.other in said]
    table = _Table(lengths, said, tuple(known), song_s)
    table.lower()
    table.raise_all()
    table.lower_again()
    table.suggest()
    clocks = camera_clocks(takes, said)
    for take in takes:
        if take.id in table.now:
            table.now[take.id] = with_clock(take, table.now[take.id], clocks)
    return tuple(table.answer(found.take) for found in placements)


@dataclass(frozen=True, slots=True)
class _Said:
    """What one placed take says of another: through which link, the line of its picture, and whether it fits."""

    anchor: str
    link: Link
    line: Line


class _Table:
    """The takes around one table: what each said alone, what they made of it together."""

    def __init__(
        self, lengths_s: Mapping[str, float], said: Mapping[str, Placement], links: tuple[Link, ...], song_s: float
    ) -> None:
        self.lengths_s, self.alone, self.links, self.song_s = lengths_s, said, links, song_s
        self.now: dict[str, Placement] = dict(said)
        self.lowered: set[str] = set()
        self.leans_on: dict[str, str] = {}

    def answer(self, take: str) -> Placement:
        """Return the placement of a take, with what it said alone where others changed that."""
        before, after = self.alone[take], self.now[take]
        if after == before:
            return before
        own = Alone(**{name: getattr(before, name) for name in Alone.model_fields})
        return after.replace(alone=own)

    # --- lower ------------------------------------------------------------------------------------

    def lower(self) -> None:
        """Ask about placed takes that contradict each other, and tell of those that agree."""
        placed = [take for take, found in self.now.items() if found.start is not None]
        behind = {take: self._behind(take) for take in placed}
        told = dict(self.now)
        for take in placed:
            found = self.now[take]
            if found.by_hand:
                continue
            for said in self._says(take):
                if not said.link.proven or not self._compared(said, take):
                    continue
                fits = self._apart_s(found, said) <= said.link.agrees_s
                if fits:
                    told[take] = _witnessed(told[take], self._witness(said, "agrees", found))
                elif behind[take] <= behind[said.anchor]:
                    told[take] = self._asked_about(told[take], found, said)
                    self.lowered.add(take)
        self.now = told

    def _behind(self, take: str) -> tuple[int, int, int]:
        found = self.now[take]
        supporters = sum(
            self._apart_s(found, said) <= said.link.agrees_s
            for said in self._says(take)
            if said.link.proven and self.now[said.anchor].confidence == "sure"
        )
        return int(found.by_hand), _RANK[found.confidence], supporters

    def _asked_about(self, told: Placement, found: Placement, said: _Said) -> Placement:
        """Return a take that another one contradicts: not placed, with both places to choose from."""
        assert found.start is not None
        own = Candidate(start=found.start, score=max((one.score for one in found.candidates), default=0.0))
        other = Candidate(start=_time(said.line.start_s), score=own.score)
        kept = told.candidates if told.confidence == "ask" else (own,)
        witness = self._witness(said, "contradicts", found)
        if any(abs(float(one.start) - said.line.start_s) <= said.link.agrees_s for one in kept):
            return _witnessed(told, witness)  # others said so already
        sentence = (
            f"{told.sentence} But {self._who(said)}, puts it at {clock(said.line.start_s)}: one of the two is wrong."
        )
        return _witnessed(
            told.replace(confidence="ask", start=None, drift_ppm=0.0, candidates=(*kept, other), sentence=sentence),
            witness,
        )

    # --- raise ------------------------------------------------------------------------------------

    def raise_all(self) -> None:
        """Carry takes to where placed ones point, the best founded first, until nothing changes."""
        while True:
            best: tuple[int, str, _Said] | None = None
            for take in self.now:
                if not self._may_rise(take):
                    continue
                for said in self._says(take):
                    ceiling = self._ceiling(take, said)
                    if ceiling > _RANK[self.now[take].confidence] and (best is None or ceiling > best[0]):
                        best = ceiling, take, said
            if best is None:
                return
            self._raise(*best)

    def _may_rise(self, take: str) -> bool:
        return not self.now[take].by_hand and take not in self.lowered and take not in self.leans_on

    def _ceiling(self, take: str, said: _Said) -> int:
        """Return how sure a take may become by what another one says of it: 2 is likely, 3 sure, 0 no help."""
        anchor = self.now[said.anchor]
        own = self._own(take, said)
        if not said.link.proven and (own is None or self._luck(take) > MOST_LUCK):
            return 0
        found = self.alone[take]
        if found.confidence == "ask" and said.link.by == "sound" and not self._twins_compared(take, said):
            return 0  # the other take was not there at the twins: it cannot choose
        by_link = _RANK["sure"] if said.link.proven else _RANK["likely"]
        firm = own is not None and (said.link.by == "timecode" or self._twins_compared(take, said))
        return min(_RANK[anchor.confidence], by_link, _RANK["sure"] if firm else _RANK["likely"])

    def _raise(self, ceiling: int, take: str, said: _Said) -> None:
        found = self.now[take]
        against = [
            other
            for other in self._says(take)
            if self._ceiling(take, other) >= _RANK["likely"]
            and abs(other.line.start_s - said.line.start_s) > other.link.agrees_s + said.link.agrees_s
        ]
        if against:
            places = tuple(Candidate(start=_time(one.line.start_s), score=0.0) for one in (said, against[0]))
            sentence = (
                f"{found.sentence} {self._who(said)}, puts it at {clock(said.line.start_s)}, but "
                f"{self._who(against[0])}, at {clock(against[0].line.start_s)}."
            )
            asked = found.replace(confidence="ask", start=None, drift_ppm=0.0, candidates=places, sentence=sentence)
            for one in (said, against[0]):
                asked = _witnessed(asked, self._witness(one, "places", None))
            self.now[take] = asked
            self.lowered.add(take)
            return
        own = self._own(take, said)
        confidence: Confidence = "sure" if ceiling == _RANK["sure"] else "likely"
        place = _time(said.line.start_s)
        if own is None:
            raised = found.replace(
                confidence=confidence,
                start=place,
                drift_ppm=said.line.drift_ppm,
                candidates=(Candidate(start=place, score=0.0), *found.candidates),
                evidence=Evidence(method=BY_OTHERS, spread_ms=said.link.spread_ms),
                sentence=f"{found.sentence} But {self._who(said)}, puts it at {clock(said.line.start_s)}"
                f"{', to a frame' if said.link.by == 'timecode' else ''}.",
            )
        elif found.start is not None:
            raised = found.replace(confidence=confidence, sentence=f"{found.sentence} {self._who(said)}, agrees.")
        else:
            others = tuple(one for one in found.candidates if one is not own)
            start = place if said.link.by == "sound" else own.start
            raised = found.replace(
                confidence=confidence,
                start=start,
                drift_ppm=said.line.drift_ppm,
                candidates=(own.replace(start=start), *others),
                sentence=f"{found.sentence} {self._who(said)}, points to the one at {clock(start.seconds)}.",
            )
        self.now[take] = _witnessed(raised, self._witness(said, "places" if own is None else "agrees", own))
        self.leans_on[take] = said.anchor

    # --- afterwards -------------------------------------------------------------------------------

    def lower_again(self) -> None:
        """Take back what was raised and then contradicts another take, with all that leans on it."""
        wrong = {
            take: said
            for take in self.leans_on
            for said in self._says(take)
            if said.link.proven
            and self._compared(said, take)
            and self._apart_s(self.now[take], said) > said.link.agrees_s + _SLACK_S
        }
        for take, said in wrong.items():
            self.now[take] = self._asked_about(self.now[take], self.now[take], said)
        fallen = set(wrong)
        while more := {take for take, anchor in self.leans_on.items() if anchor in fallen and take not in fallen}:
            for take in more:
                self.now[take] = self.alone[take]
            fallen |= more

    def suggest(self) -> None:
        """Add places that no take's sound points to, but that follow if the cameras' clocks ran on."""
        for take, found in list(self.now.items()):
            if found.by_hand or found.confidence not in ("ask", "none") or take in self.lowered:
                continue
            said = next((one for one in self._says(take) if one.link.suggests and not one.link.proven), None)
            if said is not None:
                place = Candidate(start=_time(said.line.start_s), score=0.0)
                sentence = (
                    f"{found.sentence} If the cameras' clocks ran on, it starts at {clock(said.line.start_s)}, by "
                    f"{said.anchor}."
                )
                self.now[take] = _witnessed(
                    found.replace(candidates=(place, *found.candidates), sentence=sentence),
                    self._witness(said, "places", None),
                )

    # --- small things -----------------------------------------------------------------------------

    def _says(self, take: str) -> list[_Said]:
        """Return what placed takes say of where a take's picture lies, the surest first."""
        found = []
        for link in self.links:
            if take not in (link.one, link.other):
                continue
            anchor = link.other if take == link.one else link.one
            if self.now[anchor].start is not None:
                seen = link.seen_from(anchor)
                found.append(_Said(anchor, seen, _carried(self.now[anchor], seen, self.now[take])))
        return sorted(found, key=lambda said: (-_RANK[self.now[said.anchor].confidence], not said.link.proven))

    def _luck(self, take: str) -> float:
        """Return how likely it is that some unproven clock hits one of a take's places by luck."""
        guesses = [said for said in self._says(take) if not said.link.proven]
        window_s = sum(2 * said.link.agrees_s for said in guesses)
        return window_s * max(len(self.alone[take].candidates), 1) / (self.song_s + self.lengths_s[take])

    def _own(self, take: str, said: _Said) -> Candidate | None:
        """Return the place that a take's own sound or picture points to and that another one confirms, if any."""
        found = self.alone[take]
        if found.start is not None:
            near = self._apart_s(found, said) <= said.link.agrees_s
            return Candidate(start=found.start, score=0.0) if near else None
        if found.confidence != "ask":
            return None  # what is kept of a take that fits nowhere points to nothing
        close = [one for one in found.candidates if abs(float(one.start) - said.line.start_s) <= said.link.agrees_s]
        return min(close, key=lambda one: abs(float(one.start) - said.line.start_s), default=None)

    def _apart_s(self, found: Placement, said: _Said) -> float:
        assert found.start is not None
        middle_s = self.lengths_s[found.take] / 2
        return abs(Line(float(found.start), found.drift_ppm).song_s(middle_s) - said.line.song_s(middle_s))

    def _compared(self, said: _Said, take: str) -> bool:
        """Whether a link could have found two placed takes where they were placed."""
        found = self.now[take]
        if said.link.by == "timecode" or found.start is None:
            return True
        start_s = float(found.start)
        return self._was_there(said, take, start_s) or self._shared_s(said.anchor, take, start_s) >= _COMPARED_S

    def _twins_compared(self, take: str, said: _Said) -> bool:
        return all(self._was_there(said, take, float(one.start)) for one in self.alone[take].candidates)

    def _was_there(self, said: _Said, take: str, start_s: float) -> bool:
        """Whether a placed take would share as much with another at ``start_s`` as it does where the link says."""
        linked_s = self._shared_s(said.anchor, take, said.line.start_s)
        in_song_s = min(self.song_s, start_s + self.lengths_s[take]) - max(0.0, start_s)
        return self._shared_s(said.anchor, take, start_s) >= _COVERED * min(linked_s, in_song_s)

    def _shared_s(self, anchor: str, take: str, start_s: float) -> float:
        """Return how much of the song a placed take shares with another that starts at ``start_s``."""
        placed = self.now[anchor]
        assert placed.start is not None
        first = float(placed.start)
        return min(first + self.lengths_s[anchor], start_s + self.lengths_s[take]) - max(first, start_s)

    def _who(self, said: _Said) -> str:
        by_hand = " (placed by hand)" if self.now[said.anchor].by_hand else ""
        return f"{said.anchor}{by_hand}, {said.link.told}"

    def _witness(self, said: _Said, says: str, own: Placement | Candidate | None) -> Witness:
        start = own.start if own is not None else None
        apart_ms = None if start is None else round((float(start) - said.line.start_s) * 1e3, 3)
        return Witness.model_validate({"take": said.anchor, "by": said.link.by, "says": says, "apart_ms": apart_ms})


def _carried(anchor: Placement, link: Link, take: Placement) -> Line:
    """Return the line of a take's picture through a link from a placed one."""
    assert anchor.start is not None
    late_s = float(anchor.arrival_delay) if anchor.arrival_delay and link.by == "sound" else 0.0
    base = Line(float(anchor.start) - late_s, anchor.drift_ppm)
    rate = (1 + anchor.drift_ppm * 1e-6) * (1 + link.line.drift_ppm * 1e-6)
    own_late_s = float(take.arrival_delay) if take.arrival_delay and link.by == "sound" else 0.0
    return Line(base.song_s(link.line.start_s) + own_late_s, round((rate - 1) * 1e6, 9))


def _witnessed(placement: Placement, witness: Witness) -> Placement:
    evidence = placement.evidence or Evidence(method="none")
    return placement.replace(evidence=evidence.replace(witnesses=(*evidence.witnesses, witness)))


def _time(seconds: float) -> Time:
    return Time.of(Fraction(seconds))
