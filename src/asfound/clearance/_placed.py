"""Exposures put on their lines: station, what was seen, and whether it agrees with the line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc

from asfound.alignment import JointPosterior, Refits
from asfound.clearance._known import KnownLine, posterior_of
from asfound.clearance.belief import Belief, Observations, covariance_between, looks
from asfound.errors import InputError
from asfound.model import Exposure, ExposureComparison, Terrain

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

FARTHEST = 25.0
CONTRADICTS = 0.01


@dataclass(frozen=True, eq=False)
class Placed:
    """Exposures on their lines.

    Parameters
    ----------
    known : tuple of KnownLine
        With the sizes that were measured.
    line : (m,) int64
    station : (m,) float64
    posteriors : dict of line to JointPosterior
        Of the exposed lines at their exposures.
    seen : Observations
        Node: place among the exposures of the same line.
    comparisons : tuple of ExposureComparison
    refits : Refits
    """

    known: tuple[KnownLine, ...]
    line: Integers
    station: Floats
    posteriors: dict[int, JointPosterior]
    seen: Observations
    comparisons: tuple[ExposureComparison, ...]
    refits: Refits

    def belief(self, extra: dict[int, Floats]) -> Belief:
        """What is believed of lines at extra stations; they are the first nodes of each line."""
        posteriors = dict(self.posteriors)
        node = self.seen.node.copy()
        for line, station in extra.items():
            mine = self.line == line
            posteriors[line] = posterior_of(
                self.known[line], line, np.concatenate((station, self.station[mine])), self.refits
            )
            node[mine] = len(station) + self.seen.node[mine]
        return Belief(posteriors, replace(self.seen, node=node))


def place_exposures(
    exposures: Sequence[Exposure],
    known: tuple[KnownLine, ...],
    refits: Refits,
    surface: Terrain,
) -> Placed:
    """Put exposures on their lines and compare them with what was expected there.

    Raises
    ------
    InputError
        If a line is not known or ambiguous, an exposure has no place or depth, or lies far off.
    """
    names: dict[str, list[int]] = {}
    for k, one in enumerate(known):
        names.setdefault(one.name, []).append(k)
    line = np.array([_line_of(exposure, names) for exposure in exposures], np.int64)
    station, left, value, variance = [], [], [], []
    sized = list(known)
    for exposure, k in zip(exposures, line.tolist(), strict=True):
        where = f"exposure '{exposure.name}'"
        _check(exposure, where)
        if np.isfinite(exposure.outside_diameter):
            sized[k] = replace(
                sized[k],
                outside_diameter=exposure.outside_diameter,
                diameter_spread=0.0,
                diameter_basis="known",
            )
        along, side, distance = _on_line(known[k], exposure)
        if distance > FARTHEST:
            raise InputError(
                f"it lies {distance:.1f} m from line '{exposure.line}'.",
                where=where,
                remedy="Check the line's name, and that its coordinates are in the job's frame.",
            )
        radius, radius_sd = _radius(exposure, known[k])
        ground, ground_sd = _ground(exposure, surface, where)
        station.append(along)
        left.append(side)
        value.append(
            (
                side @ np.array([exposure.easting, exposure.northing]),
                ground - exposure.top_depth - radius,
            )
        )
        variance.append(
            (exposure.horizontal_sd**2, exposure.vertical_sd**2 + radius_sd**2 + ground_sd**2)
        )
    stations = np.array(station)
    posteriors = {
        k: posterior_of(known[k], k, stations[line == k], refits) for k in np.unique(line).tolist()
    }
    node = np.array([np.count_nonzero(line[:j] == line[j]) for j in range(len(line))], np.int64)
    seen = Observations(
        line,
        node,
        np.array(left).reshape(-1, 2),
        np.array(value).reshape(-1, 2),
        np.array(variance).reshape(-1, 2),
        np.zeros(len(line), bool),
    )
    comparisons = tuple(
        _compare(exposure, seen, j, posteriors[int(line[j])], float(stations[j]))
        for j, exposure in enumerate(exposures)
    )
    doubted = np.array([c.contradicted for c in comparisons], bool)
    return Placed(
        tuple(sized),
        line,
        stations,
        posteriors,
        replace(seen, doubted=doubted),
        comparisons,
        refits,
    )


def _line_of(exposure: Exposure, names: dict[str, list[int]]) -> int:
    found = names.get(exposure.line, [])
    if len(found) == 1:
        return found[0]
    raise InputError(
        f"there is no line '{exposure.line}'."
        if not found
        else f"there are {len(found)} lines '{exposure.line}'.",
        where=f"exposure '{exposure.name}'",
        remedy=f"Name one of {', '.join(sorted(names)[:20])}.",
    )


def _check(exposure: Exposure, where: str) -> None:
    if not np.isfinite([exposure.easting, exposure.northing, exposure.top_depth]).all():
        raise InputError(
            "its place or the depth to the top is missing.",
            where=where,
            remedy="Give easting, northing and the depth from ground to the line's top.",
        )
    if exposure.top_depth < 0 or exposure.outside_diameter <= 0:
        raise InputError(
            f"top depth {exposure.top_depth} m and outside diameter "
            f"{exposure.outside_diameter} m can't be.",
            where=where,
            remedy="Depths count down from the ground; leave out a size that was not measured.",
        )
    if not (exposure.horizontal_sd > 0 and exposure.vertical_sd > 0):
        raise InputError(
            "its uncertainty is zero or missing.",
            where=where,
            remedy="Give one standard deviation above zero; a tape and a level reach 0.02 m.",
        )


def _on_line(line: KnownLine, exposure: Exposure) -> tuple[float, Floats, float]:
    """Station of the nearest point in plan, unit vector to the left there, distance."""
    plan = line.axis[:, :2]
    at = np.array([exposure.easting, exposure.northing])
    if len(plan) < 2:
        return float(line.station[0]), np.array([-1.0, 0.0]), float(np.hypot(*(plan[0] - at)))
    step = np.diff(plan, axis=0)
    square = np.maximum(np.sum(step**2, axis=1), 1e-18)
    share = np.clip(np.sum((at - plan[:-1]) * step, axis=1) / square, 0.0, 1.0)
    foot = plan[:-1] + share[:, None] * step
    distance = np.hypot(*(foot - at).T)
    k = int(np.argmin(distance))
    along = float(line.station[k] + share[k] * (line.station[k + 1] - line.station[k]))
    unit = step[k] / np.sqrt(square[k])
    return along, np.array([-unit[1], unit[0]]), float(distance[k])


def _radius(exposure: Exposure, line: KnownLine) -> tuple[float, float]:
    if np.isfinite(exposure.outside_diameter):
        return 0.5 * exposure.outside_diameter, 0.0
    radius = 0.5 * line.outside_diameter
    return radius, radius * line.diameter_spread


def _ground(exposure: Exposure, surface: Terrain, where: str) -> tuple[float, float]:
    if np.isfinite(exposure.ground_height):
        return exposure.ground_height, 0.0
    height, sd = surface.heights(np.array([exposure.easting]), np.array([exposure.northing]))
    if not np.isfinite(height[0]):
        raise InputError(
            "there is no ground height near it.",
            where=where,
            remedy="Give ground_height, as measured at the hole.",
        )
    return float(height[0]), float(sd[0])


def _compare(
    exposure: Exposure, seen: Observations, j: int, posterior: JointPosterior, station: float
) -> ExposureComparison:
    node = seen.node[j : j + 1]
    look = looks(seen.left[j])
    expected = look @ posterior.mean[int(node[0])]
    difference = seen.value[j] - expected
    own = covariance_between(posterior, node, posterior, node, same=True)
    covariance = look @ own @ look.T + np.diag(seen.variance[j])
    square = float(difference @ np.linalg.solve(covariance, difference))
    p_value = float(chdtrc(2.0, square))
    contradicted = p_value < CONTRADICTS
    left_sd, up_sd = np.sqrt(np.diag(covariance))
    words = (
        f"Exposure {exposure.name} contradicts line {exposure.line}: so large a difference has a "
        f"probability of {100 * p_value:.2g} %. It may be another line, or the locate was "
        "distorted: locate again and expose once more before relying on the line here."
        if contradicted
        else f"Exposure {exposure.name} agrees with line {exposure.line} within the uncertainty "
        "stated for it."
    )
    return ExposureComparison(
        exposure, int(seen.line[j]), station, float(difference[0]), float(difference[1]),
        float(left_sd), float(up_sd), float(difference[1]), square, p_value, contradicted, words,
    )  # fmt: skip
