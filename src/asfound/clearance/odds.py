"""Probabilities of contact and of a required clearance not kept, by lines through normal space.

Everything uncertain is a point u of independent standard normal numbers. Through each of a few
hundred quasi-random points runs a straight line in the one direction that changes the clearance
most; where on it the dig and the utility touch is found by the exact geometry, and the probability
of that stretch is a difference of two normal integrals. The mean over the points is the
probability: what plain drawing estimates by counting is integrated exactly in the direction that
matters, and the rest varies little.

The points are Sobol's sequence shifted at random eight times; the spread of the eight means is the
error, and points are doubled until it is small enough.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.linalg import qr
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from asfound.clearance._scene import (
    PLAN,
    SEPARATION,
    SPACE,
    Scene,
    core_distance,
    node_distances,
    piece_distances,
)
from asfound.model import ClearanceRule

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

SHIFTS = 8
FEWEST, MOST = 32, 2048
GOAL = 6e-4
AGREE = 1.5e-3
SETTLED = 4.0
FAR = 6.5
NEARLY = 1e-5
TURNS = 40
BOLDEST = 4.0
CERTAIN = 8.0
SURE = 5.0
ABOUT = 1.0
IMPORTANCE = 2.0
SEED = 20


@dataclass(frozen=True, eq=False)
class Odds:
    """Probabilities of one scene.

    Parameters
    ----------
    contact : float
        Outer surfaces touch.
    pilot : float
        The same for a bore's pilot hole; NaN for other digs.
    breach : tuple of float
        One a rule: its clearance is not kept.
    error : float
        Largest standard error of these.
    sd : float
        Of the clearance between outer surfaces [m].
    quantiles : (3,) float64
        5, 50 and 95 % of the clearance [m].
    draws : int
        Points used.
    """

    contact: float
    pilot: float
    breach: tuple[float, ...]
    error: float
    sd: float
    quantiles: Floats
    draws: int


@dataclass(frozen=True)
class _Event:
    """`core_distance(how, horizontal, vertical) <= radius + extra`."""

    how: str
    horizontal: float
    vertical: float
    extra: float


def odds(
    scene: Scene, rules: Sequence[ClearanceRule] = (), *, pilot_radius: float = float("nan")
) -> Odds:
    """Probabilities of contact and of breaking rules.

    Parameters
    ----------
    scene : Scene
    rules : sequence of ClearanceRule
    pilot_radius : float
        Of a bore's pilot hole [m].
    """
    events = [_Event(SPACE, 0.0, 0.0, scene.rounding)]
    if np.isfinite(pilot_radius):
        events.append(_Event(SPACE, 0.0, 0.0, pilot_radius))
    first_rule = len(events)
    events += [_event(rule, scene.rounding) for rule in rules]
    clearance = _clearance(scene)
    chances = np.zeros(len(events))
    errors = np.zeros(len(events))
    draws = 0
    for how in dict.fromkeys((event.how, event.horizontal, event.vertical) for event in events):
        mine = [k for k, e in enumerate(events) if (e.how, e.horizontal, e.vertical) == how]
        extra = np.array([events[k].extra for k in mine])
        value, error, used = _chances(scene, how, extra)
        chances[mine], errors[mine], draws = value, error, max(draws, used)
    # a rule that asks for more than no contact can't be kept where there is contact
    breach = np.maximum(chances[first_rule:], chances[0])
    return Odds(
        contact=float(chances[0]),
        pilot=float(chances[1]) if first_rule == 2 else float("nan"),
        breach=tuple(breach.tolist()),
        error=float(errors.max()),
        sd=float(clearance.std()),
        quantiles=np.quantile(clearance, (0.05, 0.5, 0.95)),
        draws=draws,
    )


def _event(rule: ClearanceRule, rounding: float) -> _Event:
    if rule.shape == SPACE:
        return _Event(SPACE, 0.0, 0.0, rounding + rule.distance)
    if rule.shape == PLAN:
        return _Event(PLAN, 0.0, 0.0, rounding + rule.horizontal)
    return _Event(rule.shape, rule.horizontal, rule.vertical, rounding)


def _clearance(scene: Scene) -> Floats:
    u = _normal(scene.size, 256, 0)
    return core_distance(scene, u, SPACE) - scene.rounding - scene.radii(u)


How = tuple[str, float, float]


def _chances(scene: Scene, how: How, extra: Floats) -> tuple[Floats, Floats, int]:
    """Probability of distance <= radius + extra for several extras, with errors."""
    middle = np.zeros((1, scene.size))
    spread = np.sqrt(np.sum(scene.root**2, axis=(1, 2)).max())
    if len(scene.path_root):
        spread += np.sqrt(np.sum(scene.path_root**2, axis=(1, 2)).max())
    largest = scene.radius * np.exp(4.0 * scene.radius_spread)
    gap = core_distance(scene, middle, *how)[0] - largest - extra.max()
    if gap > CERTAIN * spread:
        return np.zeros(len(extra)), np.zeros(len(extra)), 1
    order = np.argsort(extra)[::-1]
    scene = _pruned(scene, how, float(largest + extra.max()))
    directions, soonest = _soonest(scene, how, extra[order])
    turned = _turned(scene, directions[0])
    number = FEWEST
    means = _shifted_means(turned, how, extra, order, number)
    if soonest > SETTLED and np.all(np.minimum(means, 1.0 - means).max(axis=0) < GOAL):
        return means.mean(axis=0), _standard_error(means), SHIFTS * number
    # rare events may hide between few points: two estimates in a row have to agree
    if len(directions) > 1:
        turned = _steadiest(scene, how, extra[order], directions)
    while True:
        before = means.mean(axis=0)
        number *= 2
        means = _shifted_means(turned, how, extra, order, number)
        error = _standard_error(means)
        agree = np.abs(means.mean(axis=0) - before).max() <= AGREE
        if (error.max() <= GOAL and agree) or number >= MOST:
            return means.mean(axis=0), error, SHIFTS * number
        if error.max() > 4.0 * GOAL:
            number = min(2 * number, MOST // 2)


def _shifted_means(
    scene: Scene, how: How, extra: Floats, order: npt.NDArray[np.int64], number: int
) -> Floats:
    """(shifts, e) means of the chances of each shift of the points."""
    points = np.concatenate([_normal(scene.size, number, s) for s in range(SHIFTS)])
    chance = _stretches(scene, how, points, extra[order])
    means = np.empty((SHIFTS, len(extra)))
    means[:, order] = chance.reshape(SHIFTS, number, -1).mean(axis=1)
    return means


def _standard_error(means: Floats) -> Floats:
    return np.asarray(means.std(axis=0, ddof=1) / np.sqrt(len(means)))


def _pruned(scene: Scene, how: How, goal: float) -> Scene:
    """The scene without segments that can hardly ever come near (beyond `SURE` deviations)."""
    count = len(scene.node)
    near = node_distances(scene, *how)
    spread = np.sqrt(np.sum(scene.root**2, axis=2).max(axis=1))
    if len(scene.path_root):
        spread = spread + np.sqrt(np.sum(scene.path_root**2, axis=2).max())
    keep = near - SURE * spread <= goal
    if count > 1:
        length = np.sqrt(np.sum(np.diff(scene.node, axis=0) ** 2, axis=1))
        least = 0.5 * (near[:-1] + near[1:] - length) - SURE * np.maximum(spread[:-1], spread[1:])
        held = scene.real & (least <= goal)
        keep[:-1] |= held
        keep[1:] |= held
    if not keep.any():
        keep[int(np.argmin(near))] = True
    index = np.flatnonzero(keep)
    real = np.array(
        [bool(scene.real[i:j].all() and j == i + 1) for i, j in pairwise(index.tolist())], bool
    )
    return Scene(
        scene.node[index], scene.root[index], real, scene.pieces, scene.path, scene.path_root,
        scene.radius, scene.radius_spread, scene.rounding,
    )  # fmt: skip


def _stretches(scene: Scene, how: How, points: Floats, extra: Floats) -> Floats:
    """(n, e) probability along the first axis through each point; extras from the greatest down."""
    count = len(points)
    # the radius is the last number of a scene, but matters more than most
    across = points[:, [0, *range(1, 3), *range(4, scene.size), 3]]
    across[:, 0] = 0.0
    direction = np.zeros(scene.size)
    direction[0] = 1.0
    radius = scene.radii(across)
    steepest = _steepest(scene, direction)
    if how[0] == SEPARATION:  # a gap in height also changes where the dig slopes
        steepest *= 1.5
    chance = np.zeros((count, len(extra)))
    low, high = np.full(count, -FAR), np.full(count, FAR)
    todo = np.arange(count)
    for e in range(len(extra)):
        goal = (radius + extra[e])[todo]

        def excess(
            rows: npt.NDArray[np.int64],
            t: Floats,
            goal: Floats = goal,
            todo: npt.NDArray[np.int64] = todo,
        ) -> Floats:
            u = across[todo[rows]] + t[:, None] * direction
            return piece_distances(scene, u, *how) - goal[rows][:, None]

        first = _first(excess, low[todo], high[todo], steepest, +1.0)
        hit = np.isfinite(first)
        todo, first = todo[hit], first[hit]
        if len(todo) == 0:
            break
        kept = goal[hit]

        def again(
            rows: npt.NDArray[np.int64],
            t: Floats,
            goal: Floats = kept,
            todo: npt.NDArray[np.int64] = todo,
        ) -> Floats:
            u = across[todo[rows]] + t[:, None] * direction
            return piece_distances(scene, u, *how) - goal[rows][:, None]

        last = _first(again, high[todo], first, steepest, -1.0)
        last = np.where(np.isfinite(last), last, first)
        low[todo], high[todo] = first, last
        top = np.where(last >= FAR, np.inf, last)
        bottom = np.where(first <= -FAR, -np.inf, first)
        flip = bottom > 0  # the upper tail keeps its digits
        chance[todo, e] = np.where(flip, ndtr(-bottom) - ndtr(-top), ndtr(top) - ndtr(bottom))
    return chance


Excess = Callable[[npt.NDArray[np.int64], Floats], Floats]


def _first(excess: Excess, start: Floats, stop: Floats, steepest: float, way: float) -> Floats:
    """Where, going from start towards stop, the excess first falls to zero; NaN: nowhere.

    The excess is (n, p), by piece of the dig. No step is shorter than the steepest possible fall
    allows. Longer ones follow each piece's fall seen last: as each is nearly convex they stop short
    of its zero, and a piece that recedes stays away.
    """
    answer = np.full(len(start), np.nan)
    rows, here = np.arange(len(start)), start.copy()
    value = excess(rows, here)
    inside = value.min(axis=1) <= 0.0
    answer[inside] = here[inside]
    rows, here, value = rows[~inside], here[~inside], value[~inside]
    before, value_before = here, np.full(value.shape, np.nan)
    for _ in range(TURNS):
        if len(rows) == 0:
            break
        least = value / steepest
        with np.errstate(invalid="ignore", divide="ignore"):
            seen = value * np.abs(here - before)[:, None] / (value_before - value)
        seen = np.where(seen < 0.0, np.inf, seen)
        step = np.where(seen > least, np.minimum(seen, BOLDEST * least), least).min(axis=1)
        ahead = here + way * (step + 1e-9)
        out = way * (ahead - stop[rows]) > 0.0
        ahead = np.where(out, stop[rows], ahead)
        fresh = excess(rows, ahead)
        lowest = fresh.min(axis=1)
        crossed = lowest <= 0.0
        near = ~crossed & (lowest <= NEARLY)
        answer[rows[near]] = ahead[near]
        if crossed.any():
            c = np.flatnonzero(crossed)
            answer[rows[c]] = _between(
                excess, rows[c], here[c], value[c].min(axis=1), ahead[c], lowest[c]
            )
        go = ~crossed & ~near & ~out
        rows, before, value_before = rows[go], here[go], value[go]
        here, value = ahead[go], fresh[go]
    answer[rows] = here  # still creeping up on it: taken as there, which can only overstate
    return answer


def _between(
    excess: Excess,
    rows: npt.NDArray[np.int64],
    outside: Floats,
    above: Floats,
    inside: Floats,
    below: Floats,
) -> Floats:
    """The zero between a place outside and a place inside, by false position."""
    answer = inside.copy()
    side = np.zeros(len(rows), np.int8)
    open_ = np.arange(len(rows))
    for turn in range(8):
        middle = (outside * below - inside * above) / (below - above)
        if turn == 3:
            middle = 0.5 * (outside + inside)
        value = excess(rows, middle).min(axis=1)
        answer[open_] = middle
        left = value > 0.0
        below = np.where(left & (side == 1), 0.5 * below, below)
        above = np.where(~left & (side == -1), 0.5 * above, above)
        side = np.where(left, 1, -1).astype(np.int8)
        outside, above = np.where(left, middle, outside), np.where(left, value, above)
        inside, below = np.where(left, inside, middle), np.where(left, below, value)
        go = np.abs(value) > NEARLY
        if not go.any():
            break
        rows, open_, side = rows[go], open_[go], side[go]
        outside, above, inside, below = outside[go], above[go], inside[go], below[go]
    return answer


def _steepest(scene: Scene, direction: Floats) -> float:
    """Fastest that any part of line and dig approach each other along the direction [m]."""
    speed = float(np.sqrt(np.sum((scene.root @ direction) ** 2, axis=1)).max())
    if len(scene.path_root):
        speed += float(np.sqrt(np.sum((scene.path_root @ direction) ** 2, axis=1)).max())
    return max(speed, 1e-9)


def _soonest(scene: Scene, how: How, extra: Floats) -> tuple[list[Floats], float]:
    """Directions along which the state changes about soonest from the mean, and how soon."""
    directions = _directions(scene, how)
    t = np.linspace(-FAR, FAR, 53)
    u = np.concatenate([t[:, None] * direction for direction in directions])
    value = core_distance(scene, u, *how).reshape(len(directions), -1) - scene.radius
    soonest = np.full((len(directions), len(extra)), FAR)
    for e in range(len(extra)):
        state = value <= extra[e]
        for k in range(len(directions)):
            change = np.flatnonzero(state[k, 1:] != state[k, :-1])
            if len(change):
                soonest[k, e] = np.abs(0.5 * (t[change] + t[change + 1])).min()
    # the state that is least settled counts
    ruling = soonest[:, int(np.argmin(soonest.min(axis=0)))]
    order = np.argsort(ruling, kind="stable")
    near = [directions[k] for k in order.tolist() if ruling[k] <= ruling[order[0]] + ABOUT]
    return near, float(ruling[order[0]])


def _steadiest(scene: Scene, how: How, extra: Floats, directions: Sequence[Floats]) -> Scene:
    """The scene turned to the direction along which the chance varies least between lines."""
    best, least = scene, np.inf
    for direction in directions:
        turned = _turned(scene, direction)
        chance = _stretches(turned, how, _normal(turned.size, FEWEST, 0), extra)
        varies = float(chance.var(axis=0).max())
        if varies < least:
            best, least = turned, varies
    return best


def _directions(scene: Scene, how: How) -> list[Floats]:
    """Unit directions to try: where the distance grows, across the line, up, and between these."""
    node, end = _nearest(scene)
    row = scene.root[node] - (scene.path_root[end] if end >= 0 else 0.0)
    pulls = [_unit(normal @ row) for normal in _normals(scene, node, how)]
    plain = [pull for pull in pulls if pull is not None]
    # half-way between as the numbers see it, whichever of them is the more uncertain
    between = [
        _unit(one + sign * two)
        for k, one in enumerate(plain[-2:])
        for two in plain[-2:][k + 1 :]
        for sign in (1.0, -1.0)
    ]
    found: list[Floats] = []
    for pull in plain + [pull for pull in between if pull is not None]:
        if all(abs(pull @ other) < 0.99 for other in found):
            found.append(pull)
    if not found:
        unit = np.zeros(scene.size)
        unit[0] = 1.0
        return [unit]
    return found


def _unit(pull: Floats) -> Floats | None:
    pull = pull.copy()
    pull[-1] = 0.0
    size = float(np.linalg.norm(pull))
    return pull / size if size > 1e-9 else None


def _turned(scene: Scene, direction: Floats) -> Scene:
    """The same scene with its numbers turned: first the direction, then by importance.

    Quasi-random points are best in their first dimensions, so these go to what moves the line
    where it comes nearest. Numbers that move nothing are dropped.
    """
    near = node_distances(scene, SPACE)
    spread = np.sqrt(np.sum(scene.root**2, axis=(1, 2)))
    weight = np.exp(-0.5 * ((near - near.min()) / (IMPORTANCE * spread + 1e-9)) ** 2) + 1e-3
    rows = (scene.root * weight[:, None, None]).reshape(-1, scene.size)
    if len(scene.path_root):
        rows = np.vstack((rows, scene.path_root.reshape(-1, scene.size)))
    rows = rows[:, :-1]
    first = direction[:-1] / np.linalg.norm(direction[:-1])
    rest = rows - np.outer(rows @ first, first)
    q, r, _ = qr(rest.T, mode="economic", pivoting=True)
    size = np.abs(np.diag(r))
    kept = q[:, size > 1e-7 * max(1e-12, float(size.max(initial=0.0)))]
    kept = kept - np.outer(first, first @ kept)
    basis = np.column_stack((first, kept))
    while basis.shape[1] < 3:
        basis = np.column_stack((basis, np.zeros(len(basis))))

    def turn(root: Floats) -> Floats:
        return np.concatenate((root[..., :-1] @ basis, root[..., -1:]), axis=-1)

    return Scene(
        scene.node, turn(scene.root), scene.real, scene.pieces, scene.path, turn(scene.path_root),
        scene.radius, scene.radius_spread, scene.rounding,
    )  # fmt: skip


def _nearest(scene: Scene) -> tuple[int, int]:
    """The node nearest to the dig, and the nearest end of a tube (-1: none)."""
    if len(scene.path):
        gap = scene.node[:, None, :] - scene.path[None, :, :]
        flat = int(np.argmin(np.sum(gap**2, axis=2)))
        return flat // len(scene.path), flat % len(scene.path)
    alone = node_distances(scene, SPACE)
    near = np.flatnonzero(alone <= alone.min() + 1e-6)
    return int(near[len(near) // 2]), -1


def _normals(scene: Scene, node: int, how: How) -> list[Floats]:
    """Directions in space: where the distance grows, across the line, and up."""
    step = 1e-4
    shifts = np.vstack((step * np.eye(3), -step * np.eye(3)))
    moved = replace(scene, node=scene.node[node] + shifts, root=np.zeros((6, 3, scene.size)))
    moved = replace(moved, path_root=np.zeros(scene.path_root.shape))
    value = node_distances(moved, *how)
    gradient = value[:3] - value[3:]
    size = float(np.linalg.norm(gradient))
    found = [gradient / size] if size > 1e-9 else []
    low, high = max(node - 1, 0), min(node + 1, len(scene.node) - 1)
    along = scene.node[high, :2] - scene.node[low, :2]
    run = float(np.hypot(*along))
    sides = [np.array([-along[1], along[0], 0.0]) / run] if run > 1e-9 else list(np.eye(3)[:2])
    if how[0] == PLAN:
        return [*found, *sides]
    return [*found, *sides[:-1], sides[-1], np.array([0.0, 0.0, 1.0])]


@lru_cache(maxsize=64)
def _normal(size: int, number: int, shift: int) -> Floats:
    """(number, size) standard normal points, the same at every call."""
    plain = qmc.Sobol(size, scramble=False).random(number)
    moved = (plain + np.random.default_rng((SEED, shift)).random(size)) % 1.0
    points = ndtri(np.clip(moved, 1e-12, 1.0 - 1e-12))
    points.setflags(write=False)
    return np.asarray(points)
