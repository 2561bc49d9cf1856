"""What is believed of lines' axes, jointly over stations and lines, and how an exposure changes it.

All is Gaussian. Between stations of one line the covariance is the line's own joint posterior;
between lines only shared errors count (the same base, the same depth scale of a hook-up). An
exposure observes two things where the line was seen: its place across the line, and its height.
Conditioning on them is exact and moves every line that shares an error with the exposed one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve

from asfound.alignment import JointPosterior

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Observations:
    """What exposures saw: m pairs of place across the line and height.

    Parameters
    ----------
    line : (m,) int64
        Index into the posteriors.
    node : (m,) int64
        Station's index in that posterior.
    left : (m, 2) float64
        Unit vector across the line, easting and northing.
    value : (m, 2) float64
        Across (projected on `left`) and height of the centre [m].
    variance : (m, 2) float64
        Of the measurement [m2].
    doubted : (m,) bool
        Contradicted: holds for its own line, but other lines learn nothing from it.
    """

    line: Integers
    node: Integers
    left: Floats
    value: Floats
    variance: Floats
    doubted: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.line)

    @staticmethod
    def none() -> Observations:
        flat = np.empty((0, 2))
        none = np.empty(0, np.int64)
        return Observations(none, none, flat, flat, flat, np.empty(0, bool))

    def take(self, rows: npt.NDArray[np.bool_]) -> Observations:
        return Observations(
            self.line[rows], self.node[rows], self.left[rows], self.value[rows],
            self.variance[rows], self.doubted[rows],
        )  # fmt: skip


def covariance_between(
    one: JointPosterior, rows: Integers, two: JointPosterior, columns: Integers, *, same: bool
) -> Floats:
    """Covariance of the axis at stations of one posterior with stations of another.

    Parameters
    ----------
    one, two : JointPosterior
    rows, columns : (a,), (b,) int64
        Stations of each.
    same : bool
        Whether both are the same line: then the independent part counts too.

    Returns
    -------
    (3a, 3b) float64
        Easting, northing, height at the first station, then at the second ... [m2].
    """
    full = np.zeros((len(rows), 3, len(columns), 3))
    if same:
        plane = one.plane[np.ix_(rows, columns)]
        full[:, 0, :, 0] = plane
        full[:, 1, :, 1] = plane
        full[:, 2, :, 2] = one.level[np.ix_(rows, columns)]
    other = {(shared.term, shared.group): shared for shared in two.shared}
    for shared in one.shared:
        match = other.get((shared.term, shared.group))
        if match is None:
            continue
        a, b = shared.shift[rows], match.shift[columns]
        for axis in range(3):
            full[:, axis, :, axis] += np.outer(a[:, axis], b[:, axis])
        coupling = 0.5 * (shared.coupling + match.coupling)
        full[:, 0, :, 1] += coupling * np.outer(a[:, 0], b[:, 1])
        full[:, 1, :, 0] += coupling * np.outer(a[:, 1], b[:, 0])
    return full.reshape(3 * len(rows), 3 * len(columns))


@dataclass(frozen=True, eq=False)
class Belief:
    """Several lines' axes, and what exposures said of them.

    Parameters
    ----------
    posteriors : mapping of line to JointPosterior
        Each at its own stations.
    seen : Observations
    """

    posteriors: Mapping[int, JointPosterior]
    seen: Observations

    def at(self, line: int, nodes: Integers) -> tuple[Floats, Floats]:
        """Mean and covariance of one line at some of its stations, exposures included.

        Returns
        -------
        mean : (k, 3) float64
            [m].
        covariance : (3k, 3k) float64
            [m2].
        """
        posterior = self.posteriors[line]
        mean = posterior.mean[nodes]
        covariance = covariance_between(posterior, nodes, posterior, nodes, same=True)
        if len(self.seen) == 0:
            return mean, covariance
        cross = self.cross_with_seen(line, nodes)
        factor = cho_factor(self.seen_covariance)
        mean = mean + (cross @ cho_solve(factor, self.surprise)).reshape(-1, 3)
        covariance = covariance - cross @ cho_solve(factor, cross.T)
        return mean, 0.5 * (covariance + covariance.T)

    def between(self, one: int, rows: Integers, two: int, columns: Integers) -> Floats:
        """(3a, 3b) covariance between stations of two lines, exposures included [m2]."""
        covariance = covariance_between(
            self.posteriors[one], rows, self.posteriors[two], columns, same=one == two
        )
        if len(self.seen) == 0:
            return covariance
        factor = cho_factor(self.seen_covariance)
        there = self.cross_with_seen(two, columns)
        return np.asarray(covariance - self.cross_with_seen(one, rows) @ cho_solve(factor, there.T))

    def cross_with_seen(self, line: int, nodes: Integers) -> Floats:
        """(3k, 2m) covariance of a line's axis with what was observed, before it was [m2]."""
        seen = self.seen
        columns = []
        for j in range(len(seen)):
            other = int(seen.line[j])
            block = covariance_between(
                self.posteriors[line],
                nodes,
                self.posteriors[other],
                seen.node[j : j + 1],
                same=line == other,
            )
            columns.append(block @ looks(seen.left[j]).T)
        return np.hstack(columns) if columns else np.empty((3 * len(nodes), 0))

    @property
    def seen_covariance(self) -> Floats:
        """(2m, 2m) covariance of the observations as expected before them [m2]."""
        seen = self.seen
        rows = []
        for i in range(len(seen)):
            cross = self.cross_with_seen(int(seen.line[i]), seen.node[i : i + 1])
            rows.append(looks(seen.left[i]) @ cross)
        full = np.vstack(rows)
        full = 0.5 * (full + full.T)
        full[np.diag_indices(len(full))] += seen.variance.ravel()
        return np.asarray(full)

    @property
    def surprise(self) -> Floats:
        """(2m,) observed minus expected before any exposure: across, up, across, up ... [m]."""
        seen = self.seen
        expected = np.array(
            [
                looks(seen.left[j]) @ self.posteriors[int(seen.line[j])].mean[int(seen.node[j])]
                for j in range(len(seen))
            ]
        ).reshape(-1, 2)
        return np.asarray((seen.value - expected).ravel())

    def about(self, *lines: int) -> Belief:
        """Without contradicted exposures of other lines."""
        if not self.seen.doubted.any():
            return self
        keep = ~self.seen.doubted | np.isin(self.seen.line, lines)
        return Belief(self.posteriors, self.seen.take(keep))


def looks(left: Floats) -> Floats:
    """(2, 3) what an exposure sees of the axis: across the line, and up."""
    return np.array([[left[0], left[1], 0.0], [0.0, 0.0, 1.0]])
