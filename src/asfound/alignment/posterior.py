"""The joint posterior of a line at several stations: for what depends on more than one point.

A trench or a bore passes a line over some length, and an exposure tells of the whole
neighbourhood. Both need the covariance between stations, which `Line` does not carry. It is
computed here from the same shots by fitting the one line again: the same input gives the same
axis.

The posterior of the independent part is Markov along the line: with the backward gains
G_i = P_i F' (P-_{i+1})^-1 of the Rauch-Tung-Striebel form, Cov(x_i, x_j) = G_i ... G_{j-1} V_j.
Shared errors are kept apart, by term and group: lines that share a group move together, and an
exposure on one corrects the others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._fitted import Fitted, fit_members
from asfound.alignment._lines import cut_axes
from asfound.alignment._members import gather
from asfound.alignment._robust import Channel
from asfound.alignment._shared import SharedTerm, shared_terms
from asfound.alignment._smoother import Smoothed, Track, between, smooth
from asfound.errors import InputError
from asfound.model import Assembly, Budget, Ground

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class SharedShift:
    """What one shared error does to the axis.

    Parameters
    ----------
    term : str
        Name of the budget's term.
    group : int
        Its code in `BudgetTerm.shared_by`; the same term and group on another line is the same
        error.
    shift : (k, 3) float64
        Easting, northing and height of the axis for an error of one standard deviation in each
        of the three [m].
    coupling : float
        Correlation of the error's easting and northing.
    """

    term: str
    group: int
    shift: Floats
    coupling: float


@dataclass(frozen=True, eq=False)
class JointPosterior:
    """A line's axis at k stations, jointly.

    Parameters
    ----------
    station : (k,) float64
    mean : (k, 3) float64
        Easting, northing, height [m].
    plane, level : (k, k) float64
        Covariance between stations without shared errors [m2], of easting and of northing alike,
        and of height.
    shared : tuple of SharedShift
    """

    station: Floats
    mean: Floats
    plane: Floats
    level: Floats
    shared: tuple[SharedShift, ...]


def joint_posterior(
    line: int,
    station: Floats,
    ground: Ground,
    budget: Budget,
    assembly: Assembly,
    verdict: npt.NDArray[np.int8],
) -> JointPosterior:
    """Joint posterior of one line's axis at chosen stations.

    Parameters
    ----------
    line : int
        Index in the assembly.
    station : (k,) float64
        As in `Line.axis_station`, any order [m].
    ground, budget, assembly, verdict
        As given to `fit_lines`.

    Raises
    ------
    InputError
        If there is no such line, or a station lies off it.
    """
    return refit(line, ground, budget, assembly, verdict).at(station)


def refit(
    line: int,
    ground: Ground,
    budget: Budget,
    assembly: Assembly,
    verdict: npt.NDArray[np.int8],
) -> Refit:
    """One line fitted again, to be asked at any stations; parameters as of `joint_posterior`.

    Raises
    ------
    InputError
        If there is no such line.
    """
    if not 0 <= line < len(assembly.names):
        raise InputError(f"there is no line {line}", remedy="Give an index of the assembly.")
    shot, starts = assembly.members()
    own = shot[starts[line] : starts[line + 1]].astype(np.int64)
    members = gather(own, np.array([0, len(own)], np.int64), ground, budget, assembly, verdict)
    fitted = fit_members(members, assembly.utility[line : line + 1])
    return Refit(fitted, members.origin[:, 0], _patterns(shared_terms(budget, own), fitted))


@dataclass(frozen=True, eq=False)
class Refit:
    """A fitted line that tells its joint posterior at any stations.

    Parameters
    ----------
    fitted : Fitted
    origin : (3,) float64
        What the fit's easting, northing and height are relative to [m].
    patterns : _Patterns
        What shared errors do to its nodes.
    """

    fitted: Fitted
    origin: Floats
    patterns: _Patterns

    def at(self, station: Floats) -> JointPosterior:
        """Joint posterior at stations [m] in any order, (k,).

        Raises
        ------
        InputError
            If a station lies off the line.
        """
        station = np.asarray(station, np.float64)
        fitted, patterns = self.fitted, self.patterns
        place = _place_on_track(fitted, station)
        nodes = fitted.nodes.station
        node = np.maximum(np.searchsorted(nodes, place, side="right") - 1, 0)
        ahead = np.maximum(place - nodes[node], 0.0)
        flat = _means_at(fitted.plane.track, fitted.plane.result, node, ahead)
        up = _means_at(fitted.level.track, fitted.level.result, node, ahead)
        mean = np.column_stack((*flat, up[0])) + self.origin
        shared: list[SharedShift] = []
        if patterns.names:
            plane = _means_at(fitted.plane.track, patterns.plane, node, ahead)
            level = _means_at(fitted.level.track, patterns.level, node, ahead)
            for k, (term, group, coupling) in enumerate(patterns.names):
                shift = np.column_stack((plane[2 * k], plane[2 * k + 1], level[k]))
                if np.any(shift):
                    shared.append(SharedShift(term, group, shift, coupling))
        return JointPosterior(
            station,
            mean,
            _between_places(fitted.plane, nodes, place),
            _between_places(fitted.level, nodes, place),
            tuple(shared),
        )


class Refits:
    """The lines of a job, each fitted again at most once, when it is first asked for.

    Parameters
    ----------
    ground, budget, assembly, verdict
        As given to `fit_lines`.
    """

    def __init__(
        self, ground: Ground, budget: Budget, assembly: Assembly, verdict: npt.NDArray[np.int8]
    ) -> None:
        self._known = (ground, budget, assembly, verdict)
        self._fits: dict[int, Refit] = {}

    def __getitem__(self, line: int) -> Refit:
        if line not in self._fits:
            self._fits[line] = refit(line, *self._known)
        return self._fits[line]


@dataclass(frozen=True, eq=False)
class _Patterns:
    """What shared errors do to a line's nodes.

    Parameters
    ----------
    names : tuple of (term, group, coupling)
    plane : Smoothed
        Two columns an error: easting and northing.
    level : Smoothed
        One column an error.
    """

    names: tuple[tuple[str, int, float], ...]
    plane: Smoothed
    level: Smoothed


def _patterns(terms: list[SharedTerm], fitted: Fitted) -> _Patterns:
    names: list[tuple[str, int, float]] = []
    flat: list[Floats] = []
    up: list[Floats] = []
    for term in terms:
        for group in np.unique(term.code[term.code >= 0]).tolist():
            inside = term.code == group
            coupling = float(term.coupling[int(np.flatnonzero(inside)[0])])
            names.append((term.name, int(group), coupling))
            flat += [np.where(inside, term.east, 0.0), np.where(inside, term.north, 0.0)]
            up.append(np.where(inside, term.up, 0.0))
    count = len(fitted.nodes.station)
    results = []
    for channel, values in ((fitted.plane, flat), (fitted.level, up)):
        data = np.zeros((len(values), count))
        if values:
            data[:, fitted.nodes.node_of] = np.stack(values)
        results.append(smooth(channel.track, data))
    return _Patterns(tuple(names), results[0], results[1])


def joint_covariance(posterior: JointPosterior) -> Floats:
    """(3k, 3k) covariance [m2] of easting, northing, height at station 1, then at station 2 ..."""
    count = len(posterior.station)
    full = np.zeros((count, 3, count, 3))
    full[:, 0, :, 0] = posterior.plane
    full[:, 1, :, 1] = posterior.plane
    full[:, 2, :, 2] = posterior.level
    for shared in posterior.shared:
        for axis in range(3):
            full[:, axis, :, axis] += np.outer(shared.shift[:, axis], shared.shift[:, axis])
        cross = shared.coupling * np.outer(shared.shift[:, 0], shared.shift[:, 1])
        full[:, 0, :, 1] += cross
        full[:, 1, :, 0] += cross.T
    return full.reshape(3 * count, 3 * count)


def draw_axes(posterior: JointPosterior, count: int, seed: int) -> Floats:
    """(count, k, 3) axes drawn from the joint posterior: easting, northing, height [m]."""
    covariance = joint_covariance(posterior)
    size = len(covariance)
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    normal = np.random.default_rng(seed).standard_normal((count, size))
    drawn = posterior.mean.ravel() + normal @ root.T
    return np.asarray(drawn.reshape(count, -1, 3))


def _means_at(track: Track, result: Smoothed, node: Integers, ahead: Floats) -> Floats:
    """(columns, k) smoothed positions past nodes of one line."""
    mean = result.mean[:, node]
    inner = np.flatnonzero(node < len(track.gap) - 1)
    mean[:, inner], _, _ = between(track, result, node[inner], ahead[inner])
    return mean


def _place_on_track(fitted: Fitted, station: Floats) -> Floats:
    """Stations along the axis as stations of the smoother."""
    node, ahead = cut_axes(fitted).places(fitted.plane.track.gap)
    plane = _means_at(fitted.plane.track, fitted.plane.result, node, ahead)
    axis = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(plane[0]), np.diff(plane[1])))))
    slack = 1e-6 * (1.0 + axis[-1])
    if len(station) and (station.min() < -slack or station.max() > axis[-1] + slack):
        raise InputError(
            f"stations {station.min():.3f} to {station.max():.3f} m lie off the line",
            remedy=f"The line runs from 0 to {axis[-1]:.3f} m.",
        )
    return np.interp(station, axis, fitted.nodes.station[node] + ahead)


def _between_places(channel: Channel, station: Floats, place: Floats) -> Floats:
    """(k, k) posterior covariance of position between places of a single line.

    Each place becomes a node without an observation: what is known of it from before is the
    prediction of the node behind it, what is known from after that of the node ahead.
    """
    old, result = channel.track, channel.result
    count = len(station)
    merged = np.concatenate((station, place))
    # an asked place stands after the nodes of the same station
    order = np.lexsort((np.repeat([0, 1], [count, len(place)]), merged))
    where = np.empty(len(merged), np.int64)
    where[order] = np.arange(len(merged))
    source = np.maximum(np.searchsorted(station, merged, side="right") - 1, 0)
    behind = source[count:]
    wander, kink = old.wander[source], np.concatenate((old.kink, np.zeros(len(place))))
    before = np.maximum(place - station[behind], 0.0)
    f11, f12, f22 = (part[behind] for part in result.filtered_variance)
    f22 = f22 + old.kink[behind]
    q = wander[count:]
    filtered = np.concatenate(
        (
            result.filtered_variance,
            [
                f11 + before * (2.0 * f12 + before * f22) + q * before**3 / 3.0,
                f12 + before * f22 + q * before**2 / 2.0,
                f22 + q * before,
            ],
        ),
        axis=1,
    )
    ahead = np.minimum(behind + 1, count - 1)
    after = np.maximum(station[ahead] - place, 0.0)
    known = behind + 1 < count
    n11, n12, n22 = (np.where(known, part[ahead], 0.0) for part in result.adjoint_variance)
    adjoint = np.concatenate(
        (
            result.adjoint_variance,
            [n11, n12 + after * n11, n22 + after * (2.0 * n12 + after * n11)],
        ),
        axis=1,
    )
    gap = np.append(np.maximum(np.diff(merged[order]), 0.0), 0.0)
    return _between_nodes(
        gap, wander[order], kink[order], filtered[:, order], adjoint[:, order], where[count:]
    )


def _between_nodes(
    gap: Floats, wander: Floats, kink: Floats, known: Floats, adjoint: Floats, node: Integers
) -> Floats:
    """(k, k) posterior covariance of position between nodes of a single line."""
    count = len(gap)
    filtered = np.stack(
        (np.stack((known[0], known[1]), -1), np.stack((known[1], known[2]), -1)), -2
    )
    step = np.zeros((count, 2, 2))
    step[:, 0, 0] = step[:, 1, 1] = 1.0
    step[:, 0, 1] = gap
    noise = np.empty((count, 2, 2))
    noise[:, 0, 0] = wander * gap**3 / 3.0
    noise[:, 0, 1] = noise[:, 1, 0] = wander * gap**2 / 2.0
    noise[:, 1, 1] = wander * gap
    opened = filtered.copy()
    opened[:, 1, 1] += kink
    predicted = step @ opened @ step.transpose(0, 2, 1) + noise
    ahead = filtered @ step.transpose(0, 2, 1)
    # with neither step nor bend there is nothing between the nodes: the gain is the identity
    gain = np.broadcast_to(np.eye(2), (count, 2, 2)).copy()
    changes = (gap > 0) | (kink > 0)
    moving = np.flatnonzero(changes & (np.arange(count) < count - 1))
    gain[moving] = np.linalg.solve(
        predicted[moving].transpose(0, 2, 1), ahead[moving].transpose(0, 2, 1)
    ).transpose(0, 2, 1)
    # smoothed variance of both states: V = P - P N P with the adjoint past the observation
    past = np.zeros((count, 2, 2))
    n11, n12, n22 = adjoint
    g = gap[:-1]
    past[:-1, 0, 0] = n11[1:]
    past[:-1, 0, 1] = past[:-1, 1, 0] = n12[1:] + g * n11[1:]
    past[:-1, 1, 1] = n22[1:] + g * (2.0 * n12[1:] + g * n11[1:])
    smoothed = filtered - filtered @ past @ filtered

    # from the last asked node back to the first, all those passed carried along at once
    order = np.argsort(node, kind="stable")
    covariance = np.empty((len(node), len(node)))
    carried = np.empty((2, 0))
    at = int(node[order[-1]]) if len(node) else 0
    for j in range(len(node) - 1, -1, -1):
        here = int(node[order[j]])
        for k in range(at - 1, here - 1, -1):
            carried = gain[k] @ carried
        at = here
        # only what becomes of position counts: the first column of each carried variance
        carried = np.concatenate((smoothed[here][:, :1], carried), axis=1)
        covariance[order[j], order[j:]] = covariance[order[j:], order[j]] = carried[0]
    return covariance
