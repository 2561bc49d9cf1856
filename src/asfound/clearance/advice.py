"""Where to expose: the holes that are worth most.

The worth of knowing is counted by regret: the expected cost of not knowing whether a dig hits a
line (see `regret`). For ranking, each pair of dig and line is reduced to one number, the
displacement of the line towards the dig where they come nearest, and to the stretch of it in which
they touch, matched to the pair's probability. That number and what any set of holes would show are
jointly Gaussian, so the expected regret after the holes is an integral over one variable.
Probabilities after real exposures come from `check_digs`, not from this reduction.

Holes are chosen one by one, each the best for its cost after those before (greedy). More holes
never raise the expected regret, so exposing all candidates gives a bound for every choice among
them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely
from scipy.special import ndtr, ndtri

from asfound.alignment import Refits
from asfound.clearance._known import KnownLine, known_lines, refits_of
from asfound.clearance._placed import Placed, place_exposures
from asfound.clearance._scene import SPACE, Scene, core_distance
from asfound.clearance.belief import Belief, looks
from asfound.clearance.check import (
    AVOIDANCE,
    REACH,
    View,
    look,
    near_pairs,
    regret,
)
from asfound.clearance.odds import odds
from asfound.clearance.solids import solid_of
from asfound.clearance.surface import surface_from_ground
from asfound.errors import InputError
from asfound.model import (
    CAUTIONS,
    CandidateExposure,
    Dig,
    DigClearance,
    Exposure,
    ExposureAdvice,
    RecordLine,
    Results,
    Terrain,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

AROUND = 15.0
SPACING = 5.0
HOLE_SD = 0.02
FARTHEST = 8.0
LEAST_SHARE = 0.005
"""A hole that is expected to take away less of the risk is not worth its digging."""


def advise_exposures(
    results: Results,
    digs: Sequence[Dig],
    holes: int,
    *,
    surface: Terrain | None = None,
    exposures: Sequence[Exposure] = (),
    records: Sequence[RecordLine] = (),
    candidates: Sequence[CandidateExposure] | None = None,
    forbidden: shapely.Geometry | None = None,
    cost: Callable[[CandidateExposure], float] | None = None,
    reach: float = REACH,
    avoidance: float = AVOIDANCE,
    refits: Refits | None = None,
    found: Sequence[DigClearance] | None = None,
) -> ExposureAdvice:
    """Rank places to expose lines by how much each hole is expected to reduce risk.

    Parameters
    ----------
    results, digs, surface, exposures, records, reach, avoidance, refits
        As for `check_digs`.
    holes : int
        How many at most.
    candidates : sequence of CandidateExposure, optional
        Places that can be exposed; by default along the lines near the digs.
    forbidden : shapely geometry, optional
        Where no hole can be made, job's frame.
    cost : callable, optional
        Cost of a hole at a candidate, any unit above zero; by default the candidate's own.
    found : sequence of DigClearance, optional
        What `check_digs` said of the same digs and exposures, if it was asked: saves work.

    Returns
    -------
    ExposureAdvice

    Raises
    ------
    InputError
        As `check_digs`; also for a cost that is not above zero.
    """
    ground = surface or surface_from_ground(results.ground)
    known = known_lines(results.lines, records, ground)
    solids = [solid_of(dig, ground) for dig in digs]
    placed = place_exposures(exposures, known, refits or refits_of(results), ground)
    known = placed.known
    near = near_pairs(known, solids, reach)
    contact = {
        (d, one.line_index): one.p_contact
        for d, dig in enumerate(found or ())
        for one in dig.approaches
    }
    pairs = [
        pair
        for d, solid in enumerate(solids)
        for view in look(near, d, solid, known, placed, reach)
        if (pair := _pair(view, avoidance, contact.get((d, view.line)))) is not None
    ]
    places = list(candidates) if candidates is not None else _places(pairs, known)
    places = [place for place in places if not _forbids(forbidden, place)]
    if cost is not None:
        places = [replace(place, cost=float(cost(place))) for place in places]
    bad = [place for place in places if not place.cost > 0]
    if bad:
        raise InputError(
            f"a hole on line '{bad[0].line}' at {bad[0].station:.1f} m costs {bad[0].cost}.",
            where="candidate exposures",
            remedy="Give a cost above zero.",
        )
    before = sum(pair.risk for pair in pairs)
    worth = _Worth(pairs, places, placed, avoidance)
    chosen, reduction = worth.greedy(holes)
    after = before - np.cumsum(reduction)
    ceiling = worth.reduction(np.arange(len(places)))
    return ExposureAdvice(
        chosen=tuple(places[c] for c in chosen),
        reduction=np.array(reduction),
        risk_before=before,
        risk_after=np.asarray(after, np.float64),
        ceiling=max(ceiling, float(np.sum(reduction))),
        words=_words([places[c] for c in chosen], before, after, ceiling),
        cautions=CAUTIONS,
    )


@dataclass(frozen=True, eq=False)
class _Pair:
    """A pair reduced to one number: touching where low <= t <= high, t standard normal."""

    line: int
    station: float
    normal: Floats
    sd: float
    low: float
    high: float
    risk: float


def _pair(view: View, avoidance: float, contact: float | None = None) -> _Pair | None:
    if contact is None:
        contact = odds(view.scene).contact
    if contact < 1e-9:
        return None
    one, two, share = view.vertex
    station = float(view.station[one] + share * (view.station[two] - view.station[one]))
    root = view.scene.root[one] + share * (view.scene.root[two] - view.scene.root[one])
    if len(view.scene.path):
        gap = view.scene.path - (view.scene.node[one] + view.scene.node[two]) / 2.0
        root = root - view.scene.path_root[int(np.argmin(np.sum(gap**2, axis=1)))]
    best: tuple[float, Floats, float, float, float] | None = None
    for normal in _normals(view):
        sd = float(np.linalg.norm(normal @ root))
        if sd < 1e-6:
            continue
        low, high = _touching(view.scene, normal * sd)
        soonest = min(abs(low), abs(high)) if np.isfinite(low) else FARTHEST
        if best is None or soonest < best[0] - 1e-9:
            best = (soonest, normal, sd, low, high)
    if best is None:
        return None
    _, normal, sd, low, high = best
    low, high = _matched(low, high, contact)
    risk = regret(contact, avoidance)
    return _Pair(view.line, station, normal, sd, low, high, risk)


def _normals(view: View) -> list[Floats]:
    away = view.near.away[0]
    size = float(np.linalg.norm(away))
    one, two, _ = view.vertex
    run = view.mean[two, :2] - view.mean[one, :2]
    length = float(np.hypot(*run))
    found = [away / size] if size > 1e-9 else []
    found.append(np.array([0.0, 0.0, 1.0]))
    if length > 1e-9:
        found.append(np.array([-run[1], run[0], 0.0]) / length)
    return found


def _touching(scene: Scene, step: Floats) -> tuple[float, float]:
    """Between which multiples of a step of the whole line it touches the dig; NaN if nowhere."""
    root = np.zeros((len(scene.node), 3, 2))
    root[:, :, 0] = step
    rigid = replace(scene, root=root, path_root=np.zeros((len(scene.path), 3, 2)))
    t = np.linspace(-FARTHEST, FARTHEST, 641)
    u = np.column_stack((t, np.zeros(len(t))))
    touching = np.flatnonzero(core_distance(rigid, u, SPACE) <= scene.radius + scene.rounding)
    if len(touching) == 0:
        return float("nan"), float("nan")
    return float(t[touching[0]]), float(t[touching[-1]])


def _matched(low: float, high: float, p: float) -> tuple[float, float]:
    """The stretch changed so that its probability is p."""
    p = min(max(p, 1e-12), 1.0 - 1e-12)
    if not np.isfinite(low) or high >= FARTHEST - 1e-9:
        return -float(ndtri(p)), np.inf
    if low <= -FARTHEST + 1e-9:
        return -np.inf, float(ndtri(p))
    centre = 0.5 * (low + high)
    least, most = 0.0, FARTHEST * 2.0
    for _ in range(60):
        half = 0.5 * (least + most)
        if ndtr(centre + half) - ndtr(centre - half) < p:
            least = half
        else:
            most = half
    return centre - most, centre + most


def _places(pairs: Sequence[_Pair], known: Sequence[KnownLine]) -> list[CandidateExposure]:
    """Where pairs come nearest, and along their lines on both sides."""
    wanted: dict[int, list[float]] = {}
    for pair in pairs:
        steps = np.arange(-AROUND, AROUND + 1e-9, SPACING) + pair.station
        wanted.setdefault(pair.line, []).extend(steps.tolist())
    places = []
    for line, stations in wanted.items():
        one = known[line]
        inside = [s for s in stations if one.station[0] - 1e-9 <= s <= one.station[-1] + 1e-9]
        kept: list[float] = []
        exact = [pair.station for pair in pairs if pair.line == line]
        for s in exact + sorted(inside):
            if all(abs(s - other) > 0.5 for other in kept):
                kept.append(s)
        for s in sorted(kept):
            east, north = (float(np.interp(s, one.station, one.axis[:, a])) for a in range(2))
            places.append(CandidateExposure(line, one.name, s, east, north))
    return places


def _forbids(forbidden: shapely.Geometry | None, place: CandidateExposure) -> bool:
    return forbidden is not None and bool(
        shapely.intersects_xy(forbidden, place.easting, place.northing)
    )


class _Worth:
    """Expected reduction of regret by sets of holes."""

    def __init__(
        self,
        pairs: Sequence[_Pair],
        places: Sequence[CandidateExposure],
        placed: Placed,
        avoidance: float,
    ) -> None:
        self.pairs, self.places, self.avoidance = pairs, places, avoidance
        self.cost = np.array([place.cost for place in places])
        self.low = np.array([pair.low for pair in pairs])
        self.high = np.array([pair.high for pair in pairs])
        self.before = self._expected(np.zeros(len(pairs)))
        lines = sorted({p.line for p in pairs} | {p.line_index for p in places})
        belief, pair_node, place_node = _believed(lines, pairs, places, placed)
        known = placed.known
        left = [_left(known[p.line_index], p.station) for p in places]
        count = len(places)
        self.cover = np.zeros((2 * count, 2 * count))
        self.link = np.zeros((len(pairs), 2 * count))
        by_line = {k: [i for i, p in enumerate(places) if p.line_index == k] for k in lines}
        pairs_of = {k: [i for i, p in enumerate(pairs) if p.line == k] for k in lines}
        for a in lines:
            for b in lines:
                if not by_line[b]:
                    continue
                there = np.array([place_node[i] for i in by_line[b]], np.int64)
                sight = [looks(left[i]) for i in by_line[b]]
                columns = np.array([2 * i + c for i in by_line[b] for c in range(2)])
                if by_line[a]:
                    here = np.array([place_node[i] for i in by_line[a]], np.int64)
                    block = belief.about(a, b).between(a, here, b, there)
                    rows = np.array([2 * i + c for i in by_line[a] for c in range(2)])
                    own = [looks(left[i]) for i in by_line[a]]
                    self.cover[np.ix_(rows, columns)] = _seen(block, own, sight)
                if pairs_of[a]:
                    here = np.array([pair_node[i] for i in pairs_of[a]], np.int64)
                    block = belief.about(a, b).between(a, here, b, there)
                    normals = [pairs[i].normal[None] / pairs[i].sd for i in pairs_of[a]]
                    self.link[np.ix_(np.array(pairs_of[a]), columns)] = _seen(block, normals, sight)
        self.cover = 0.5 * (self.cover + self.cover.T)
        self.cover[np.diag_indices(2 * count)] += HOLE_SD**2

    def greedy(self, holes: int) -> tuple[list[int], list[float]]:
        """Holes chosen one by one, and what each adds."""
        chosen: list[int] = []
        gains: list[float] = []
        cover, link = self.cover.copy(), self.link.copy()
        explained = np.zeros(len(self.pairs))
        now = float(self.before.sum())
        while len(chosen) < min(holes, len(self.places)) and len(self.pairs):
            more = _explained(cover, link)
            share = np.minimum(explained[:, None] + more, 1.0)
            left = self._expected(share).sum(axis=0)
            gain = now - left
            gain[chosen] = -np.inf
            best = int(np.argmax(gain / self.cost))
            if gain[best] <= LEAST_SHARE * float(self.before.sum()):
                break
            chosen.append(best)
            gains.append(float(gain[best]))
            now = float(left[best])
            explained = share[:, best]
            # what the hole shows is taken out of what the others would show
            pick = np.array([2 * best, 2 * best + 1])
            solved = np.linalg.solve(cover[np.ix_(pick, pick)], cover[pick])
            link = link - link[:, pick] @ solved
            cover = cover - cover[:, pick] @ solved
            cover[np.diag_indices(len(cover))] += 1e-12
        return chosen, gains

    def reduction(self, chosen: Integers) -> float:
        """Expected reduction of regret by a set of holes together."""
        if len(chosen) == 0 or len(self.pairs) == 0:
            return 0.0
        pick = np.sort(np.concatenate((2 * chosen, 2 * chosen + 1)))
        link = self.link[:, pick]
        share = np.sum(link * np.linalg.solve(self.cover[np.ix_(pick, pick)], link.T).T, axis=1)
        return float(self.before.sum() - self._expected(np.clip(share, 0.0, 1.0)).sum())

    def _expected(self, share: Floats) -> Floats:
        """Expected regret when a share of each pair's variance is known; (pairs,) or (pairs, c)."""
        extra = (None,) * (share.ndim - 1)
        low = self.low[(slice(None), *extra, None)]
        high = self.high[(slice(None), *extra, None)]
        grid = np.linspace(-6.0, 6.0, 241)
        weight = np.exp(-0.5 * grid**2)
        weight /= weight.sum()
        part = np.clip(share, 0.0, 1.0 - 1e-9)[..., None]
        mean, sd = np.sqrt(part) * grid, np.sqrt(1.0 - part)
        p = np.clip(ndtr((high - mean) / sd) - ndtr((low - mean) / sd), 0.0, 1.0)
        loss = np.minimum(p * (1.0 - self.avoidance), self.avoidance * (1.0 - p))
        return np.asarray(np.sum(loss * weight, axis=-1))


def _explained(cover: Floats, link: Floats) -> Floats:
    """(pairs, places) share of each pair's variance that each hole alone explains."""
    a, b, c = (
        cover[0::2, 0::2].diagonal(),
        cover[0::2, 1::2].diagonal(),
        cover[1::2, 1::2].diagonal(),
    )
    determinant = np.maximum(a * c - b * b, 1e-24)
    x, y = link[:, 0::2], link[:, 1::2]
    return np.asarray((c * x * x - 2.0 * b * x * y + a * y * y) / determinant)


def _seen(block: Floats, rows: Sequence[Floats], columns: Sequence[Floats]) -> Floats:
    """A covariance of axes turned into one of what is looked at."""
    tall = np.vstack([look_ @ block[3 * i : 3 * i + 3] for i, look_ in enumerate(rows)])
    return np.hstack([tall[:, 3 * j : 3 * j + 3] @ look_.T for j, look_ in enumerate(columns)])


def _believed(
    lines: Sequence[int],
    pairs: Sequence[_Pair],
    places: Sequence[CandidateExposure],
    placed: Placed,
) -> tuple[Belief, list[int], list[int]]:
    """The belief at all pairs and places, and the node of each on its line."""
    extra = {}
    pair_node, place_node = [0] * len(pairs), [0] * len(places)
    for line in lines:
        stations: list[float] = []
        for i, pair in enumerate(pairs):
            if pair.line == line:
                pair_node[i] = len(stations)
                stations.append(pair.station)
        for i, place in enumerate(places):
            if place.line_index == line:
                place_node[i] = len(stations)
                stations.append(place.station)
        extra[line] = np.array(stations)
    return placed.belief(extra), pair_node, place_node


def _left(line: KnownLine, station: float) -> Floats:
    k = int(np.clip(np.searchsorted(line.station, station) - 1, 0, max(len(line.station) - 2, 0)))
    if len(line.station) < 2:
        return np.array([-1.0, 0.0])
    run = line.axis[k + 1, :2] - line.axis[k, :2]
    size = max(float(np.hypot(*run)), 1e-12)
    return np.array([-run[1], run[0]]) / size


def _words(
    chosen: Sequence[CandidateExposure], before: float, after: Floats, ceiling: float
) -> tuple[str, ...]:
    if before <= 0:
        return ("No dig is likely enough to touch a known line that exposing one would help.",)
    if not chosen:
        return (
            "No single exposure would settle much here: none of the places that can be exposed is "
            f"expected to take away as much as {100.0 * LEAST_SHARE:g} % of the risk of not "
            "knowing. What there is comes from the digging itself, from conflicts that are sure, "
            "or from lines that can't be exposed: change the plan, or expose all along.",
        )
    share = 100.0 * (before - float(after[-1])) / before
    words = [
        f"Expose line {place.line} at station {place.station:.1f} m by hand or vacuum."
        for place in chosen
    ]
    holes = "This hole is" if len(chosen) == 1 else f"Together these {len(chosen)} holes are"
    words.append(
        f"{holes} expected to take away {share:.0f} % of the risk of not knowing; exposing every "
        f"candidate would take away {100.0 * ceiling / before:.0f} %. What is left comes from the "
        "digging itself and from conflicts that are sure."
    )
    return tuple(words)
