"""Digs checked against lines: the nearest approach of each pair, how sure it is, what is required.

>>> check_digs(results, digs)  # doctest: +SKIP
(DigClearance(...), ...)
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from asfound.alignment import Refits
from asfound.clearance._known import KnownLine, known_lines, refits_of
from asfound.clearance._pieces import SLAB, TUBE, WEDGE, Pieces
from asfound.clearance._placed import Placed, place_exposures
from asfound.clearance._scene import PLAN, SEPARATION, Scene, core_distance, make_scene
from asfound.clearance._words import approach_words, dig_words
from asfound.clearance.belief import Belief
from asfound.clearance.nearest import Axes, Nearest, away_rows, nearest_approaches
from asfound.clearance.odds import odds
from asfound.clearance.required import required_rules, rules_for, widest_plan
from asfound.clearance.solids import Solid, footprint_of, solid_of
from asfound.clearance.surface import surface_from_ground
from asfound.errors import InputError
from asfound.model import (
    CAUTIONS,
    Approach,
    Bore,
    ClearanceRule,
    Dig,
    DigClearance,
    Exposure,
    RecordLine,
    Results,
    RuleAnswer,
    Terrain,
)

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

REACH = 5.0
AVOIDANCE = 0.02
MARGIN, DEVIATIONS = 1.0, 5.0
MOST_NODES = 48
SEARCH_ZONE = 0.6
ELSEWHERE = 50_000.0


def check_digs(
    results: Results,
    digs: Sequence[Dig],
    *,
    surface: Terrain | None = None,
    rules: Sequence[ClearanceRule] | None = None,
    exposures: Sequence[Exposure] = (),
    records: Sequence[RecordLine] = (),
    searched: shapely.Geometry | None = None,
    reach: float = REACH,
    avoidance: float = AVOIDANCE,
    refits: Refits | None = None,
    among: Collection[int] | None = None,
) -> tuple[DigClearance, ...]:
    """Check planned digs against all lines of a job.

    Parameters
    ----------
    results : Results
        Of the processed job.
    digs : sequence of Dig
        In the job's frame.
    surface : Terrain, optional
        The ground; by default as the shots found it.
    rules : sequence of ClearanceRule, optional
        Required clearances; by default `required_rules()`.
    exposures : sequence of Exposure
        Lines seen; all answers are after them.
    records : sequence of RecordLine
        Lines that nobody located.
    searched : shapely geometry, optional
        The area that was searched for lines, job's frame; None: not recorded.
    reach : float
        Lines farther from a dig than this are not listed [m].
    avoidance : float
        Cost of avoiding a line (another path, digging by hand) in units of one strike; risk
        is counted against it.
    refits : Refits, optional
        Of these results, to be shared between calls.
    among : collection of int, optional
        Lines that are asked about (`Approach.line_index`); by default all.

    Returns
    -------
    tuple of DigClearance
        In the order of `digs`.

    Raises
    ------
    InputError
        If a dig, a record or an exposure can't be as it is given.
    """
    ground = surface or surface_from_ground(results.ground)
    required = required_rules() if rules is None else tuple(rules)
    known = known_lines(results.lines, records, ground)
    solids = [solid_of(dig, ground) for dig in digs]
    same_place(results, solids)
    placed = place_exposures(exposures, known, refits or refits_of(results), ground)
    known = placed.known
    widest = max(reach, widest_plan(required))
    pairs = near_pairs(known, solids, widest)
    if among is not None:
        pairs = pairs.take(np.isin(pairs.line, list(among)))
    found = []
    for d, solid in enumerate(solids):
        views = look(pairs, d, solid, known, placed, widest)
        approaches = [
            _approach(
                view, known, rules_for(required, known[view.line].utility, solid.dig), avoidance
            )
            for view in views
        ]
        approaches.sort(key=lambda a: (-a.risk, -a.p_contact, a.clearance))
        share = _share_searched(solid, searched)
        found.append(
            DigClearance(
                dig=solid.dig,
                approaches=tuple(approaches),
                searched=share,
                reach=widest,
                words=dig_words(solid.dig, approaches, share),
                cautions=CAUTIONS,
            )
        )
    return tuple(found)


def regret(p: float, avoidance: float = AVOIDANCE) -> float:
    """Expected cost of not knowing whether a dig hits a line, in units of one strike.

    With probability `p` of a strike the better of going ahead (cost p) and avoiding (cost
    `avoidance`) is chosen; who knew would pay `avoidance` only where there is a conflict.
    """
    return min(p * (1.0 - avoidance), avoidance * (1.0 - p))


@dataclass(frozen=True, eq=False)
class View:
    """One line near one dig, with all that is needed to answer for the pair.

    Parameters
    ----------
    line : int
    solid : Solid
    station : (k,) float64
        Nodes on the line [m].
    mean : (k, 3) float64
    covariance : (3k, 3k) float64
    near : Nearest
        Of the mean axis at the nodes; one row.
    scene : Scene
    """

    line: int
    solid: Solid
    station: Floats
    mean: Floats
    covariance: Floats
    near: Nearest
    scene: Scene

    @property
    def vertex(self) -> tuple[int, int, float]:
        """Nodes before and after the nearest point, and its share of the way."""
        one = int(self.near.vertex[0])
        return one, min(one + 1, len(self.station) - 1), float(self.near.share[0])


def near_pairs(known: Sequence[KnownLine], solids: Sequence[Solid], reach: float) -> Nearest:
    """Nearest approaches of all lines, as first believed, to all digs within reach."""
    points = [
        line.axis if len(line.axis) > 1 else np.repeat(line.axis, 2, axis=0) for line in known
    ]
    starts = np.concatenate(([0], np.cumsum([len(p) for p in points]))).astype(np.int64)
    point = np.concatenate(points) if points else np.empty((0, 3))
    pieces = Pieces.join([solid.pieces for solid in solids])
    owner = np.repeat(np.arange(len(solids)), [len(solid.pieces) for solid in solids])
    return nearest_approaches(Axes(point, starts), pieces, owner, reach)


def look(
    pairs: Nearest,
    dig: int,
    solid: Solid,
    known: tuple[KnownLine, ...],
    placed: Placed,
    reach: float,
) -> list[View]:
    """All lines near one dig, after exposures."""
    lines = pairs.line[pairs.dig == dig].tolist()
    stations = {line: _nodes(known[line], solid) for line in lines}
    belief = placed.belief({k: s[0] for k, s in stations.items()})
    views = []
    for line in lines:
        station, real = stations[line]
        view = _view(line, known[line], solid, station, real, belief, reach)
        if view is not None:
            views.append(view)
    return views


def _nodes(line: KnownLine, solid: Solid) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Stations of the line near the dig, and which neighbours are joined."""
    if len(line.station) < 2:
        return line.station, np.empty(0, bool)
    axes = Axes(line.axis, np.array([0, len(line.axis)]))
    near = nearest_approaches(axes, solid.pieces, np.zeros(len(solid.pieces), np.int64), np.inf)
    at = int(near.vertex[0])
    length = line.station[min(at + 1, len(line.station) - 1)] - line.station[at]
    best = line.station[at] + float(near.share[0]) * length
    distance = np.full(len(line.station), np.inf)
    stray = _strays(solid.pieces, solid)
    for piece in range(len(solid.pieces)):
        vector = away_rows(solid.pieces, np.full(len(line.station), piece), line.axis)
        apart = np.sqrt(np.sum(vector**2, axis=1)) - DEVIATIONS * stray[piece]
        distance = np.minimum(distance, apart)
    least = float(near.distance[0])
    room = least + MARGIN + DEVIATIONS * line.spread
    wanted = distance <= room
    step = np.diff(line.station)
    # a segment may come nearer than both its ends
    inner = 0.5 * (distance[:-1] + distance[1:] - step) <= np.minimum(room[:-1], room[1:])
    wanted[:-1] |= inner
    wanted[1:] |= inner
    index = np.flatnonzero(wanted)
    if len(index) > MOST_NODES:
        index = np.unique(index[np.linspace(0, len(index) - 1, MOST_NODES).round().astype(int)])
        joined = np.array([wanted[i : j + 1].all() for i, j in pairwise(index.tolist())], bool)
    else:
        joined = np.diff(index) == 1
    station = line.station[index]
    place = int(np.searchsorted(station, best))
    if np.min(np.abs(station - best)) > 1e-6 and 0 < place < len(station):
        station = np.insert(station, place, best)
        joined = np.insert(joined, place - 1, joined[place - 1])
    return station, joined


def _view(
    line: int,
    known: KnownLine,
    solid: Solid,
    station: Floats,
    real: npt.NDArray[np.bool_],
    belief: Belief,
    reach: float,
) -> View | None:
    mean, covariance = belief.about(line).at(line, np.arange(len(station)))
    if len(mean) == 1:
        mean, station = np.repeat(mean, 2, axis=0), np.repeat(station, 2)
        covariance, real = np.tile(covariance, (2, 2)), np.ones(1, bool)
    parts = np.concatenate(([0], np.flatnonzero(~real) + 1, [len(mean)])).astype(np.int64)
    near = nearest_approaches(
        Axes(mean, parts), solid.pieces, np.zeros(len(solid.pieces), np.int64), np.inf
    )
    if len(near.line) == 0:
        return None
    row = np.array([int(np.argmin(near.distance))])
    near = near.take(row)
    scene = make_scene(
        mean, covariance, real, solid, _pieces_near(solid, mean, reach, known),
        0.5 * known.outside_diameter, known.diameter_spread,
    )  # fmt: skip
    return View(line, solid, station, mean, covariance, near, scene)


def _strays(pieces: Pieces, solid: Solid) -> Floats:
    """(p,) greatest standard deviation of the straying of pieces [m]."""
    return np.maximum(solid.stray(pieces.station[:, 0]), solid.stray(pieces.station[:, 1]))


def _pieces_near(solid: Solid, mean: Floats, reach: float, known: KnownLine) -> Pieces:
    """Pieces that can matter: the nearest, and all that errors and rules may bring near."""
    pieces = solid.pieces
    least = np.empty(len(pieces))
    for piece in range(len(pieces)):
        vector = away_rows(pieces, np.full(len(mean), piece), mean)
        least[piece] = np.sqrt(np.sum(vector**2, axis=1)).min()
    step = float(np.sqrt(np.sum(np.diff(mean, axis=0) ** 2, axis=1)).max())
    room = least.min() + reach + 0.5 * step + 2.0 * DEVIATIONS * float(known.spread.max())
    room = room + DEVIATIONS * _strays(pieces, solid)
    return pieces.take(np.flatnonzero(least <= room))


def _approach(
    view: View,
    known: tuple[KnownLine, ...],
    rules: tuple[ClearanceRule, ...],
    avoidance: float,
) -> Approach:
    line, solid, near, scene = known[view.line], view.solid, view.near, view.scene
    dig = solid.dig
    pilot = 0.5 * dig.pilot_diameter if isinstance(dig, Bore) else float("nan")
    answer = odds(scene, rules, pilot_radius=pilot)
    one, two, share = view.vertex
    station = float(view.station[one] + share * (view.station[two] - view.station[one]))
    away = near.away[0]
    span = float(np.sqrt(away @ away))
    clearance = float(near.distance[0]) - 0.5 * line.outside_diameter
    part = max(clearance, 0.0) / span if span > 0 else 0.0
    weights = np.array([1.0 - share, share])
    block = view.covariance.reshape(len(view.mean), 3, len(view.mean), 3)[
        np.ix_([one, two], range(3), [one, two], range(3))
    ]
    covariance = np.einsum("i,iajb,j->ab", weights, block, weights)
    run = view.mean[two] - view.mean[one]
    answers = [
        RuleAnswer(rule, _shortfall(scene, rule, clearance), p)
        for rule, p in zip(rules, answer.breach, strict=True)
    ]
    answers.sort(key=lambda item: (-item.p_breach, -item.shortfall))
    approach = Approach(
        line=line.name,
        line_index=view.line,
        utility=line.utility,
        source=line.source,
        line_station=station,
        dig_station=_dig_station(solid, int(near.piece[0]), near.point[0] - away),
        line_point=near.point[0],
        dig_point=near.point[0] - away,
        line_bearing=float(np.mod(np.arctan2(run[0], run[1]), 2.0 * np.pi)),
        line_covariance=covariance,
        ground_height=float(np.interp(station, line.station, line.ground)),
        crosses=_crosses(scene),
        clearance=clearance,
        horizontal=float(np.hypot(away[0], away[1])) * part,
        vertical=float(abs(away[2])) * part,
        line_below=bool(away[2] < 0.0),
        clearance_sd=answer.sd,
        clearance_range=answer.quantiles,
        p_contact=answer.contact,
        p_contact_pilot=answer.pilot,
        p_error=answer.error,
        rules=tuple(answers),
        outside_diameter=line.outside_diameter,
        diameter_basis=line.diameter_basis,
        depth_basis=line.depth_basis,
        unsupported=bool(np.any((line.gaps[:, 0] < station) & (station < line.gaps[:, 1]))),
        risk=regret(answer.contact, avoidance),
        words=(),
    )
    return replace(approach, words=approach_words(approach, dig))


def _shortfall(scene: Scene, rule: ClearanceRule, clearance: float) -> float:
    if rule.shape not in (PLAN, SEPARATION):
        return rule.distance - clearance
    middle = np.zeros((1, scene.size))
    both = scene.radius + scene.rounding
    if rule.shape == PLAN:
        gap = float(core_distance(scene, middle, PLAN)[0])
        return rule.horizontal + both - gap
    over = core_distance(scene, middle, SEPARATION, rule.horizontal, rule.vertical)
    return both - float(over[0])


def _crosses(scene: Scene) -> bool:
    """Whether the axis passes over or under the dig."""
    gap = float(core_distance(scene, np.zeros((1, scene.size)), PLAN)[0])
    return gap <= scene.rounding + 1e-6


def _dig_station(solid: Solid, piece: int, point: Floats) -> float:
    pieces = solid.pieces
    kind, shape, (start, end) = int(pieces.kind[piece]), pieces.shape[piece], pieces.station[piece]
    if kind == SLAB:
        return float(start + np.clip((point[:2] - shape[:2]) @ shape[2:4], 0.0, shape[4]))
    if kind == TUBE:
        leg = shape[3:6] - shape[:3]
        share = np.clip((point - shape[:3]) @ leg / max(float(leg @ leg), 1e-300), 0.0, 1.0)
        return float(start + share * (end - start))
    if kind == WEDGE:
        return float(shapely.LineString(solid.outline).project(shapely.Point(point[:2])))
    return float(start)


def _share_searched(solid: Solid, searched: shapely.Geometry | None) -> float:
    """Share of the dig and its surroundings that was searched."""
    if searched is None:
        return float("nan")
    zone = footprint_of(solid).buffer(SEARCH_ZONE)
    return float(zone.intersection(searched).area / zone.area)


def same_place(results: Results, solids: Sequence[Solid]) -> None:
    """Refuse digs far from every shot: they are in another frame.

    Raises
    ------
    InputError
        If one lies farther from the shots' middle than `ELSEWHERE`.
    """
    ground = results.ground
    good = np.isfinite(ground.easting)
    if not good.any():
        return
    middle = np.array([ground.easting[good].mean(), ground.northing[good].mean()])
    for solid in solids:
        distance = float(np.hypot(*(solid.outline.mean(axis=0) - middle)))
        if distance > ELSEWHERE:
            raise InputError(
                f"it lies {distance / 1000:.0f} km from the job.",
                where=f"{solid.dig.kind} '{solid.dig.name}'",
                remedy="Its frame or unit differs from the job's: declare the frame of the dig "
                "file, or give coordinates in the job's frame, in metres.",
            )
