"""Props: how many that both lights show are found when they were moved, turned, taken away or brought.

**What both lights show.** The room is drawn without noise with the prop and without it. A prop is visible in a light
when at least half of its silhouette is uncovered (by other props, the frame's edge, or the player in any frame), and
over what is uncovered the root mean square of the difference that it makes to luma, as encoded, is at least
:data:`SNR` times the noise of one frame there. It must be so in both lights: where it stood, in the reference's, and
where it stands, in the take's; of one that was taken away or brought, at its one place in both, as if it stood in both.

**At a player.** A stool or a stand that comes and goes where the player is belongs to his set-up, and a thing hidden by
him is not gone. Things taken away or brought right before a player, or at his feet, are counted apart: those of which
half lies within the breadth of his picture.

**Whether the drawn truth is the truth.** A prop is drawn white and black, and the difference of the two pictures is how
much of each pixel it covers: its centroid must move by what the prop was moved (:func:`outlines`).

Thresholds were tuned on seeds 0 to 11, 20 to 44, 60 to 65, 3003, 3007 and 3010 to 3128 at 960x540, up to 3090 drawn
with outlines of whole pixels but for 3072, 3073, 3078 and 3083; later ones were judged on.
"""

from __future__ import annotations

import functools
import math
import resource
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from partsong.shoot import props
from partsong.shoot.judge import Remark
from partsong.shoot.sight import Looker, Sight
from staging.scenes import Prop, PropMove, Scene, SceneSetting, scene_setting, with_take

WIDTH, HEIGHT = 960, 540
SPREAD = tuple(range(60, 2400, 160))
SNR = 5.0
_DRAWS = 6
_AT_PLAYER = 0.5
_GROWN_PX = 20.0
_KINDS = {"moved": "prop moved", "turned": "prop turned", "gone": "prop gone", "brought": "prop brought"}

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Case:
    """One take held against a reference and the day's third take: what was done to which prop, and where that was."""

    kind: str
    sight: Sight
    reference: Sight
    third: Sight
    move: PropMove | None = None
    places: tuple[Mask, ...] = ()
    visible: bool = False
    at_player: bool = False


def moved_props(seed: int, count: int) -> None:
    """Print what is found and made up over generated takes: of each seed's eight, three are clean."""
    made, found, named, near, apart = (Counter[str]() for _ in range(5))
    errors: list[float] = []
    extra: Counter[str] = Counter()
    takes = told = hidden = unmeasured = 0
    began = _cpu_s()
    for number in range(seed, seed + count):
        setting = scene_setting(number, width=WIDTH, height=HEIGHT, parts=3, oversample=1, photograph=number % 3 == 2)
        for case in cases(setting, np.random.default_rng([number, 9])):
            takes += 1
            remarks = props.of_props(_laid(case.sight, case), case.reference, "reference", [], _third(case))
            ours = [one for one in remarks if case.move is not None and _is_of(one, case.places)]
            extra[case.kind] += len(remarks) - len(ours)
            line = f"    seed {number} {case.kind}"
            if case.move is not None:
                key = f"{case.kind}{', at a player' if case.at_player else ''}{'' if case.visible else ', not visible'}"
                made[key] += 1
                found[key] += bool(ours)
                # Beside another finding of the same thing, which contradicts it, a right one is of little use.
                named[key] += bool(ours) and all(one.kind == _KINDS.get(case.kind, "") for one in ours)
                prop = setting.props[case.move.prop]
                line += f" {prop.kind}" + ("" if case.visible else " (not visible)")
                line += " (at a player)" if case.at_player else ""
                if ours and case.kind in ("moved", "turned") and case.visible:
                    off = [_off(one, case.move, setting) for one in ours if one.moved_px is not None]
                    unmeasured += any(one.kind in ("prop moved", "prop turned") for one in ours) and not off
                    apart[key] += len(ours) > 1
                    if off:
                        errors.append(max(off))
                        near[key] += max(off) <= 0.25
                        line += f", off by {max(off):.3f} px"
                if not case.visible and not ours:
                    said_so = _not_seen(case)
                    hidden, told = hidden + 1, told + said_so
                    line += ", said to be not seen" if said_so else ", called seen"
            said = [f"{one.kind}{'' if one in ours else ' (false)'}" for one in remarks]
            print(f"{line}: {', '.join(said) or 'nothing'}", flush=True)
    for key in sorted(made):
        text = f"{key:32} found {found[key]:3} of {made[key]:3}, rightly named {named[key]:3}"
        print(text + (f", within 0.25 px {near[key]:3}" if key in near else "") + f", told twice {apart[key]}")
    print(
        f"{takes} takes, {sum(extra.values())} false findings ({sum(extra.values()) / takes:.3f} a take): {dict(extra)}"
    )
    if errors:
        print(
            f"position: errors of {np.median(errors):.3f} px (median), {np.quantile(errors, 0.95):.3f} (95 %), "
            f"{max(errors):.3f} at most; of {unmeasured} more is said that it is not known"
        )
    print(f"of {hidden} props that cannot be seen and were not found, 'not seen' was said of {told}")
    print(f"{(_cpu_s() - began) / takes:.2f} s CPU a take, drawing it included")


def outlines(seed: int, count: int) -> None:
    """Print by how much the centroid of a prop's picture moves otherwise than the prop, over shifts of 0 to 2 pixels.

    Light falls off along a prop, which feigns some thousandths of a pixel.
    """
    wrong: dict[str, list[float]] = {}
    for number in range(seed, seed + count):
        setting = scene_setting(number, width=WIDTH, height=HEIGHT, parts=1, oversample=1)
        rng = np.random.default_rng([number, 16])
        for prop in setting.props[:4]:
            # Off the floor, in the midst of the picture, so that all of it is seen.
            whole = replace(prop, x=float(rng.uniform(-0.8, 0.8)), y=0.3)
            start_px = _centroid(setting, whole, 0.0)
            for shift_px in rng.uniform(0, 2, 8):
                moved_px = _centroid(setting, whole, float(shift_px)) - start_px
                wrong.setdefault(prop.kind, []).append(abs(moved_px - float(shift_px)))
    for kind, errors in wrong.items():
        print(f"outline of a {kind:6} drawn off by {np.median(errors):.3f} px (median), {max(errors):.3f} at most")


def _centroid(setting: SceneSetting, prop: Prop, shift_px: float) -> float:
    """Return the column about which a prop's picture lies, alone in a room, moved by some pixels."""
    moved = (PropMove(0, dx_m=shift_px * prop.z / setting.width),)
    white, black = (
        Scene(with_take(replace(setting, props=(replace(prop, albedo=(level,) * 3),)), 0, moved=moved)).empty(
            0, lamp_on=False
        )
        for level in (1e3, 0.0)
    )
    covered = (white - black).sum(axis=(0, 2), dtype=np.float64)
    return float(covered @ np.arange(len(covered)) / covered.sum())


def cases(setting: SceneSetting, rng: np.random.Generator) -> Iterator[Case]:
    """Yield a seed's takes: three clean, one of each kind (of a prop that both lights show, if any), one dark."""
    day = [seen(Scene(setting), 0)]
    day += [seen(Scene(with_take(setting, lamp, noise=_noise(rng))), lamp) for lamp in (1, 2)]
    for lamp in (1, 2):
        yield Case("clean", day[lamp], day[0], day[3 - lamp])
    yield Case("clean", day[2], day[1], day[0])
    for number, kind in enumerate(_KINDS):
        lamp = 1 + number % 2
        noisy = with_take(setting, lamp, noise=_noise(rng))
        chances = [_move(kind, int(prop), rng) for prop in rng.permutation(len(setting.props))]
        move = next((move for move in chances if _visible(noisy, lamp, move, kind)), chances[0])
        yield _case(noisy, kind, lamp, move, day)
    # A room in which only the lamp gives light, and a prop that is dark in either.
    dim = replace(setting, ambient=tuple(value / 16 for value in setting.ambient))
    moves = [_move("moved", int(prop), rng) for prop in rng.permutation(len(setting.props))]
    unseen = next((move for move in moves if not _visible(dim, 1, move, "moved")), None)
    if unseen is not None:
        dark = [seen(Scene(dim), take) for take in range(3)]
        yield replace(_case(dim, "moved", 1, unseen, dark), kind="moved in the dark")


def seen(scene: Scene, take: int) -> Sight:
    """Sum up a made take as the check does, as far as props need it."""
    looker = Looker()
    for frame in SPREAD:
        looker.add(frame, scene.planes(take, frame))
    return looker.sight()


def _case(setting: SceneSetting, kind: str, lamp: int, move: PropMove, day: list[Sight]) -> Case:
    """Return a take; ``day`` is the reference and the two others as they are when nothing was moved."""
    reference, third = day[0], day[3 - lamp]
    if kind == "brought":
        reference, third = (seen(Scene(with_take(setting, take, moved=(move,))), take) for take in (0, 3 - lamp))
        sight = seen(Scene(setting), lamp)
    else:
        sight = seen(Scene(with_take(setting, lamp, moved=(move,))), lamp)
    places = tuple(Scene(setting).silhouette(one)[0] for one in _stands(move))
    at_player = False
    if kind in ("gone", "brought"):
        breadth = _breadth(setting, 0) | _breadth(setting, lamp)
        at_player = bool((places[0] & breadth).sum() >= _AT_PLAYER * places[0].sum())
    return Case(kind, sight, reference, third, move, places, _visible(setting, lamp, move, kind), at_player)


def _noise(rng: np.random.Generator) -> float:
    return float(rng.uniform(0.7, 1.4))


def _move(kind: str, prop: int, rng: np.random.Generator) -> PropMove:
    sign = float(rng.choice([-1, 1]))
    if kind == "moved":
        return PropMove(prop, dx_m=sign * float(rng.uniform(0.04, 0.2)))
    if kind == "turned":
        return PropMove(prop, turn_deg=sign * float(rng.uniform(4, 15)))
    return PropMove(prop, gone=True)


def _stands(move: PropMove) -> tuple[PropMove, PropMove]:
    """Return how the prop stands in the reference and in the take; in both as in one, when it is in one only."""
    there = PropMove(move.prop)
    return (there, there if move.gone else move)


# --- what both lights show ------------------------------------------------------------------------


def _visible(setting: SceneSetting, lamp: int, move: PropMove, kind: str) -> bool:
    return all(
        _visible_in(setting, light, stands, kind) for light, stands in zip((0, lamp), _stands(move), strict=True)
    )


def _visible_in(setting: SceneSetting, lamp: int, stands: PropMove, kind: str) -> bool:
    scene = Scene(setting)
    place, whole = scene.silhouette(stands)
    # A player is where he is whether or not the prop hides him.
    gone = PropMove(stands.prop, gone=True)
    covered = _covered(setting, lamp, (gone,) if kind in ("gone", "brought") else (stands,))
    free = place & ~covered
    if free.sum() < 0.5 * whole:
        return False
    with_it, without = (with_take(setting, lamp, moved=(how,)) for how in (stands, gone))
    quiet = [_luma(Scene(one), lamp, 0.0, 0) for one in (with_it, without)]
    noisy = np.stack([_luma(Scene(with_it), lamp, setting.takes[lamp].noise, draw) for draw in range(_DRAWS)])
    noise = np.sqrt(cv2.GaussianBlur(noisy.var(axis=0, ddof=1), (0, 0), 3.0))
    over = np.abs(quiet[0] - quiet[1]) / np.maximum(noise, 1e-4)
    return bool(np.sqrt(np.mean(over[free] ** 2)) >= SNR)


def _luma(scene: Scene, lamp: int, noise: float, seed: int) -> NDArray[np.float32]:
    planes = scene.empty_planes(lamp, noise, seed)
    return (planes.y.astype(np.float32) - 64) / np.float32(876)


@functools.lru_cache(maxsize=64)
def _covered(setting: SceneSetting, player: int, moved: tuple[PropMove, ...]) -> Mask:
    scene = Scene(with_take(setting, player, moved=moved))
    return np.asarray(np.max([scene.matte(player, frame) for frame in SPREAD[::3]], axis=0) > 0.1, bool)


def _breadth(setting: SceneSetting, player: int) -> Mask:
    """Return the box of a player's picture."""
    rows, columns = np.nonzero(_covered(setting, player, ()))
    box = np.zeros((setting.height, setting.width), bool)
    box[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1] = True
    return box


# --- what was said --------------------------------------------------------------------------------


def _is_of(remark: Remark, places: tuple[Mask, ...]) -> bool:
    """Say whether at least half of a finding's box lies where the prop was or is, give or take a window."""
    assert remark.box is not None
    rows, columns = np.nonzero(np.logical_or.reduce(places))
    if not len(rows):  # wholly covered
        return False
    left, top, width, height = remark.box
    across = min(left + width, columns.max() + _GROWN_PX) - max(left, columns.min() - _GROWN_PX)
    down = min(top + height, rows.max() + _GROWN_PX) - max(top, rows.min() - _GROWN_PX)
    return across > 0 and down > 0 and across * down >= 0.5 * width * height


def _off(remark: Remark, move: PropMove, setting: SceneSetting) -> float:
    """Return how far a measured move is from the true one, at the middle of the box that it is told for."""
    assert remark.was is not None
    assert remark.moved_px is not None
    prop, (x, y, width, height) = setting.props[move.prop], remark.was
    turn = math.radians(move.turn_deg)
    pivot = Scene(setting).axis(move.prop)
    arm = complex(x + (width - 1) / 2 - pivot[0], y + (height - 1) / 2 - pivot[1])
    went = arm * complex(math.cos(turn) - 1, math.sin(turn)) + move.dx_m * setting.width / prop.z
    return abs(complex(*remark.moved_px) - went)


def _not_seen(case: Case) -> bool:
    """Say whether more than half of a prop's places is called not seen."""
    take = _laid(case.sight, case)
    if take is None:
        return True
    both = props.compared(take, case.reference, _third(case))
    return all(float(both.seen[place].mean()) < 0.5 for place in case.places if place.any())


def _laid(sight: Sight, case: Case) -> props.Laid | None:
    return props.laid_on(sight, case.reference)


def _third(case: Case) -> list[props.Laid]:
    return [one for one in [_laid(case.third, case)] if one is not None]


def _cpu_s() -> float:
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime
