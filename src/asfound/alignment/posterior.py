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
from asfound.alignment._lines import sample_places, sampled
from asfound.alignment._members import Members, gather
from asfound.alignment._shared import SharedTerm, shared_terms
from asfound.alignment._smoother import Smoothed, Track, smooth
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
    if not 0 <= line < len(assembly.names):
        raise InputError(f"there is no line {line}", remedy="Give an index of the assembly.")
    shot, starts = assembly.members()
    own = shot[starts[line] : starts[line + 1]].astype(np.int64)
    members = gather(own, np.array([0, len(own)]), ground, budget, assembly, verdict)
    fitted = fit_members(members, assembly.bearing[own], assembly.utility[line : line + 1])
    place = _place_on_track(fitted, np.asarray(station, np.float64))
    plane = _joint(fitted, place, level=False)
    level = _joint(fitted, place, level=True)
    origin = members.origin[:, 0]
    mean = np.column_stack(
        (plane.mean[0] + origin[0], plane.mean[1] + origin[1], level.mean[0] + origin[2])
    )
    shared = tuple(
        shift
        for term in shared_terms(budget, own)
        for shift in _shifts(term, members, fitted, plane, level)
    )
    return JointPosterior(
        np.asarray(station, np.float64), mean, plane.covariance, level.covariance, shared
    )


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


@dataclass(frozen=True, eq=False)
class _Joint:
    """One channel with the asked places put among its nodes."""

    track: Track
    node: Integers
    kept: Integers
    mean: Floats
    covariance: Floats


def _place_on_track(fitted: Fitted, station: Floats) -> Floats:
    """Stations along the axis as stations of the smoother."""
    node, ahead, _ = sample_places(fitted)
    plane, _, _ = sampled(fitted.plane.track, fitted.plane.result, node, ahead)
    axis = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(plane[0]), np.diff(plane[1])))))
    slack = 1e-6 * (1.0 + axis[-1])
    if len(station) and (station.min() < -slack or station.max() > axis[-1] + slack):
        raise InputError(
            f"stations {station.min():.3f} to {station.max():.3f} m lie off the line",
            remedy=f"The line runs from 0 to {axis[-1]:.3f} m.",
        )
    return np.interp(station, axis, fitted.nodes.station[node] + ahead)


def _joint(fitted: Fitted, place: Floats, *, level: bool) -> _Joint:
    channel = fitted.level if level else fitted.plane
    old = channel.track
    station = fitted.nodes.station
    count = len(station)
    merged = np.concatenate((station, place))
    # an asked place stands after the nodes of the same station
    order = np.lexsort((np.repeat([0, 1], [count, len(place)]), merged))
    where = np.empty(len(merged), np.int64)
    where[order] = np.arange(len(merged))
    kept = where[:count]
    source = np.maximum(np.searchsorted(station, merged[order], side="right") - 1, 0)
    gap = np.append(np.maximum(np.diff(merged[order]), 0.0), 0.0)
    precision, kink = np.zeros(len(merged)), np.zeros(len(merged))
    precision[kept], kink[kept] = old.precision, old.kink
    wander = old.wander[np.minimum(source, count - 1)]
    track = Track(np.array([0, len(merged)]), gap, precision, wander, kink)
    data = np.zeros((len(channel.result.mean), len(merged)))
    data[:, kept] = _observations(channel.result, old)
    result = smooth(track, data)
    node = where[count:]
    return _Joint(track, node, kept, result.mean[:, node], _between_stations(track, result, node))


def _observations(result: Smoothed, track: Track) -> Floats:
    """What the smoother was given, back from its own residuals.

    At an observed node the adjoint jumps by the smoothed residual over the variance.
    """
    after = np.zeros_like(result.adjoint[:, 0])
    after[:, :-1] = result.adjoint[:, 0, 1:]
    after[:, track.starts[1:] - 1] = 0.0
    jump = result.adjoint[:, 0] - after
    with np.errstate(divide="ignore", invalid="ignore"):
        residual = np.where(track.precision > 0, jump / track.precision, 0.0)
    return np.asarray(np.where(track.precision > 0, result.mean + residual, 0.0))


def _between_stations(track: Track, result: Smoothed, node: Integers) -> Floats:
    """(k, k) posterior covariance of position between nodes of a single line."""
    count = len(track.gap)
    f11, f12, f22 = result.filtered_variance
    filtered = np.stack((np.stack((f11, f12), -1), np.stack((f12, f22), -1)), -2)
    q = track.wander
    step = np.zeros((count, 2, 2))
    step[:, 0, 0] = step[:, 1, 1] = 1.0
    step[:, 0, 1] = track.gap
    noise = np.empty((count, 2, 2))
    noise[:, 0, 0] = q * track.gap**3 / 3.0
    noise[:, 0, 1] = noise[:, 1, 0] = q * track.gap**2 / 2.0
    noise[:, 1, 1] = q * track.gap
    opened = filtered.copy()
    opened[:, 1, 1] += track.kink
    predicted = step @ opened @ step.transpose(0, 2, 1) + noise
    ahead = filtered @ step.transpose(0, 2, 1)
    # with neither step nor bend there is nothing between the nodes: the gain is the identity
    gain = np.broadcast_to(np.eye(2), (count, 2, 2)).copy()
    changes = (track.gap > 0) | (track.kink > 0)
    moving = np.flatnonzero(changes & (np.arange(count) < count - 1))
    gain[moving] = np.linalg.solve(
        predicted[moving].transpose(0, 2, 1), ahead[moving].transpose(0, 2, 1)
    ).transpose(0, 2, 1)
    # smoothed variance of both states: V = P - P N P with the adjoint past the observation
    past = np.zeros((count, 2, 2))
    n11, n12, n22 = result.adjoint_variance
    g = track.gap[:-1]
    past[:-1, 0, 0] = n11[1:]
    past[:-1, 0, 1] = past[:-1, 1, 0] = n12[1:] + g * n11[1:]
    past[:-1, 1, 1] = n22[1:] + g * (2.0 * n12[1:] + g * n11[1:])
    smoothed = filtered - filtered @ past @ filtered

    order = np.argsort(node, kind="stable")
    covariance = np.empty((len(node), len(node)))
    for j in range(len(node)):
        carried = smoothed[node[order[j]]]
        covariance[order[j], order[j]] = carried[0, 0]
        at = int(node[order[j]])
        for i in range(j - 1, -1, -1):
            for k in range(at - 1, int(node[order[i]]) - 1, -1):
                carried = gain[k] @ carried
            at = int(node[order[i]])
            covariance[order[i], order[j]] = covariance[order[j], order[i]] = carried[0, 0]
    return covariance


def _shifts(
    term: SharedTerm, members: Members, fitted: Fitted, plane: _Joint, level: _Joint
) -> list[SharedShift]:
    found = []
    for group in np.unique(term.code[term.code >= 0]).tolist():
        inside = term.code == group
        flat = np.where(inside, np.stack((term.east, term.north)), 0.0)
        up = np.where(inside, term.up, 0.0)[None]
        shift = np.zeros((len(plane.node), 3))
        for joint, values, axes in ((plane, flat, slice(0, 2)), (level, up, slice(2, 3))):
            data = np.zeros((len(values), len(joint.track.gap)))
            data[:, joint.kept[fitted.nodes.node_of]] = values
            shift[:, axes] = smooth(joint.track, data).mean[:, joint.node].T
        if np.any(shift):
            first = int(np.flatnonzero(inside)[0])
            found.append(SharedShift(term.name, int(group), shift, float(term.coupling[first])))
    return found
