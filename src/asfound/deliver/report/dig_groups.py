"""Which digs share a drawing, and in which stretches long ones are drawn."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from asfound.clearance import Solid
from asfound.deliver.dig_columns import digs_in_order
from asfound.deliver.report.dig_sections import dig_stations
from asfound.model import Approach, Bore, DigReport, Post, Trench

Floats = npt.NDArray[np.float64]

TOGETHER, WIDEST = 12.0, 24.0
"""Posts nearer than this share a plan, as long as the plan is not wider than that [m]."""
STRETCH, LONGEST = 36.0, 60.0
"""Length of a stretch, and the longest dig that is drawn in one [m]."""
MOST_STRETCHES = 6


@dataclass(frozen=True)
class Group:
    """Digs that share their drawings, by their places in the report.

    Parameters
    ----------
    places : tuple of int
    along : bool
        Whether it is one dig with an axis: a trench or bore.
    """

    places: tuple[int, ...]
    along: bool


def dig_groups(report: DigReport) -> list[Group]:
    """All digs in groups; the group with the likeliest contact first."""
    order = [place for place, _ in digs_in_order(report)]
    posts = [place for place in order if isinstance(report.digs[place].dig, Post)]
    clusters = _clusters(report, posts)
    groups: list[Group] = []
    seen: set[int] = set()
    for place in order:
        if place in seen:
            continue
        dig = report.digs[place].dig
        if isinstance(dig, Post):
            cluster = next(group for group in clusters if place in group)
            seen.update(cluster)
            groups.append(Group(tuple(sorted(cluster)), False))
        else:
            groups.append(Group((place,), isinstance(dig, Trench | Bore)))
    return groups


def _clusters(report: DigReport, posts: list[int]) -> list[set[int]]:
    """Posts gathered from one end of the plan to the other."""
    at = {}
    for place in posts:
        dig = report.digs[place].dig
        assert isinstance(dig, Post)
        at[place] = np.array([dig.easting, dig.northing])
    left = sorted(posts, key=lambda place: (at[place][0], at[place][1], place))
    clusters = []
    while left:
        group = [left.pop(0)]
        while left:
            distance = [min(float(np.hypot(*(at[p] - at[q]))) for q in group) for p in left]
            k = int(np.argmin(distance))
            places = np.array([at[p] for p in (*group, left[k])])
            if distance[k] > TOGETHER or float(np.ptp(places, axis=0).max()) > WIDEST:
                break
            group.append(left.pop(k))
        clusters.append(set(group))
    return clusters


def stretches(
    solid: Solid, approaches: tuple[Approach, ...], crossings: list[float]
) -> list[tuple[float, float]]:
    """Stations between which a long trench or bore is drawn; the whole of a short one.

    Stretches with no line near are left out.
    """
    total = float(dig_stations(solid)[-1])
    if total <= LONGEST:
        return [(0.0, total)]
    count = int(np.ceil(total / STRETCH))
    cuts = np.linspace(0.0, total, count + 1).tolist()
    wanted = [near.dig_station for near in approaches] + crossings
    rank = {}
    for low, high in pairwise(cuts):
        inside = [k for k, station in enumerate(wanted) if low <= station <= high]
        if inside:
            rank[(low, high)] = min(inside)
    best = sorted(rank, key=lambda stretch: (rank[stretch], stretch))[:MOST_STRETCHES]
    return sorted(best)
