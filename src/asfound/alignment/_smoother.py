"""State-space smoother for many lines at once, in time proportional to the number of shots.

Each channel (easting, northing; height) is an integrated random walk along the station: the
direction wanders as white noise of density q [rad2/m], so that

    [x, v](s + d) = [x + d v, v] + noise,  covariance q [[d3/3, d2/2], [d2/2, d]],

which makes the smoothed curve a cubic spline and its variance that of a Gaussian process with an
integrated Wiener kernel (Wahba 1978; Kalman and Bryson-Frazier recursions as in Durbin and
Koopman, Time Series Analysis by State Space Methods, ch. 4). Lines advance in lock-step: step t
of every line that has one is one array operation. Lines are sorted by length, so that those still
running are always the front of the array and nothing is padded.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

POSITION_PRIOR = 1.0e4
SLOPE_PRIOR = 4.0
LONG = 600
BLOCK = 16384
_FADE = 14.0


@dataclass(frozen=True, eq=False)
class Track:
    """Nodes of many lines, one line after the other: shots, and places that are not observed.

    Parameters
    ----------
    starts : (lines + 1,) int64
    gap : (n,) float64
        Station from each node to the next of its line [m]; any value at a line's last node.
    precision : (n,) float64
        1 / variance of the observation [1/m2]; 0 where nothing was observed.
    wander : (n,) float64
        q between each node and the next [1/m].
    kink : (n,) float64
        Variance added to the slope at the node, past its observation.
    """

    starts: Integers
    gap: Floats
    precision: Floats
    wander: Floats
    kink: Floats

    @property
    def sizes(self) -> Integers:
        return np.diff(self.starts)

    def take(self, lines: Integers) -> tuple[Track, Integers]:
        """Chosen lines, and the nodes they consist of."""
        sizes = self.sizes[lines]
        starts = np.concatenate(([0], np.cumsum(sizes)))
        index = (
            np.arange(int(starts[-1]))
            - np.repeat(starts[:-1], sizes)
            + np.repeat(self.starts[lines], sizes)
        )
        part = Track(
            starts, self.gap[index], self.precision[index], self.wander[index], self.kink[index]
        )
        return part, index


@dataclass(frozen=True, eq=False)
class Smoothed:
    """Posterior at each node, and what is needed between nodes.

    Parameters
    ----------
    mean : (columns, n) float64
        Smoothed position.
    variance : (n,) float64
    filtered : (columns, 2, n) float64
        Position and slope given the observations up to and at the node.
    filtered_variance : (3, n) float64
        (11, 12, 22) of the same, the kink not yet added.
    adjoint : (columns, 2, n) float64
        What the observations from the node on say, as gradient about the prediction.
    adjoint_variance : (3, n) float64
        Information (11, 12, 22) of the same.
    """

    mean: Floats
    variance: Floats
    filtered: Floats
    filtered_variance: Floats
    adjoint: Floats
    adjoint_variance: Floats


def smooth(track: Track, observed: Floats) -> Smoothed:
    """Smooth several columns of observations with the same variances.

    Parameters
    ----------
    track : Track
    observed : (columns, n) float64
        Relative to a place near each line's start; ignored where the precision is 0.

    Returns
    -------
    Smoothed
    """
    chunks = _chunks(track)
    if chunks is None:
        return _smooth_steps(track, observed)
    index, starts, core = chunks
    part = Track(
        starts,
        track.gap[index],
        track.precision[index],
        track.wander[index],
        track.kink[index],
    )
    result = _smooth_steps(part, observed[:, index])
    where = np.empty(len(track.gap), np.int64)
    where[index[core]] = np.flatnonzero(core)
    return Smoothed(
        result.mean[:, where],
        result.variance[where],
        result.filtered[:, :, where],
        result.filtered_variance[:, where],
        result.adjoint[:, :, where],
        result.adjoint_variance[:, where],
    )


def _smooth_steps(track: Track, observed: Floats) -> Smoothed:
    columns = len(observed)
    count = len(track.gap)
    place, offsets = _step_order(track.starts)
    gap, precision, wander, kink = (np.empty(count) for _ in range(4))
    gap[place], precision[place] = track.gap, track.precision
    wander[place], kink[place] = track.wander, track.kink
    data = np.empty((columns, count))
    data[:, place] = np.where(track.precision > 0, observed, 0.0)

    steps = len(offsets) - 1
    first = int(offsets[1]) if steps else 0
    gain = np.empty((2, count))
    weight = np.empty(count)
    innovation = np.empty((columns, count))
    filtered = np.empty((columns, 2, count))
    fp = np.empty((3, count))
    p11 = np.full(first, POSITION_PRIOR)
    p12 = np.zeros(first)
    p22 = np.full(first, SLOPE_PRIOR)
    x = [np.zeros(first) for _ in range(columns)]
    v = [np.zeros(first) for _ in range(columns)]
    has_kink = [bool(np.any(kink[offsets[t] : offsets[t + 1]])) for t in range(steps)]
    for t in range(steps):
        a, b = int(offsets[t]), int(offsets[t + 1])
        m = b - a
        if m < len(p11):
            p11, p12, p22 = p11[:m], p12[:m], p22[:m]
        w = precision[a:b]
        g = w / (1.0 + w * p11)
        k1, k2 = p11 * g, p12 * g
        weight[a:b], gain[0, a:b], gain[1, a:b] = g, k1, k2
        p22 = p22 - k2 * p12
        p12 = p12 - k1 * p12
        p11 = p11 - k1 * p11
        fp[0, a:b], fp[1, a:b], fp[2, a:b] = p11, p12, p22
        d = gap[a:b]
        q = wander[a:b]
        for c in range(columns):
            nu = data[c, a:b] - x[c][:m]
            xc = x[c][:m] + k1 * nu
            vc = v[c][:m] + k2 * nu
            innovation[c, a:b] = nu
            filtered[c, 0, a:b], filtered[c, 1, a:b] = xc, vc
            x[c] = xc + d * vc
            v[c] = vc
        if has_kink[t]:
            p22 = p22 + kink[a:b]
        qd = q * d
        dp = d * p22
        p11 = p11 + d * (2.0 * p12 + dp + qd * d * (1.0 / 3.0))
        p12 = p12 + dp + 0.5 * qd * d
        p22 = p22 + qd

    mean = np.empty((columns, count))
    variance = np.empty(count)
    adjoint = np.empty((columns, 2, count))
    ap = np.empty((3, count))
    l11, l12, l22 = np.zeros(first), np.zeros(first), np.zeros(first)
    r1 = [np.zeros(first) for _ in range(columns)]
    r2 = [np.zeros(first) for _ in range(columns)]
    for t in range(steps - 1, -1, -1):
        a, b = int(offsets[t]), int(offsets[t + 1])
        m = b - a
        # adjoint past the observation, before the step to the next node; zero at a line's end
        h11, h12, h22 = l11[:m], l12[:m], l22[:m]
        f11, f12 = fp[0, a:b], fp[1, a:b]
        variance[a:b] = f11 - (f11 * f11 * h11 + 2.0 * f11 * f12 * h12 + f12 * f12 * h22)
        k1, k2, g = gain[0, a:b], gain[1, a:b], weight[a:b]
        o = 1.0 - k1
        # (I - K H)^T L (I - K H) + H^T g H, with (I - K H) = [[1 - k1, 0], [-k2, 1]]
        n22 = h22
        n12 = o * h12 - k2 * h22
        n11 = o * (o * h11 - k2 * h12) - k2 * n12 + g
        ap[0, a:b], ap[1, a:b], ap[2, a:b] = n11, n12, n22
        if t:
            # back over the step from the previous node: F^T N F
            back = gap[int(offsets[t - 1]) : int(offsets[t - 1]) + m]
            l11[:m] = n11
            l12[:m] = n12 + back * n11
            l22[:m] = n22 + back * (2.0 * n12 + back * n11)
        for c in range(columns):
            s1, s2 = r1[c][:m], r2[c][:m]
            mean[c, a:b] = filtered[c, 0, a:b] + f11 * s1 + f12 * s2
            u1 = s1 - k1 * s1 - k2 * s2 + g * innovation[c, a:b]
            adjoint[c, 0, a:b], adjoint[c, 1, a:b] = u1, s2
            if t:
                r2[c][:m] = s2 + back * u1
                r1[c][:m] = u1
    return Smoothed(
        mean[:, place],
        variance[place],
        filtered[:, :, place],
        fp[:, place],
        adjoint[:, :, place],
        ap[:, place],
    )


def log_likelihoods(
    track: Track,
    observed: Floats,
    factors: Floats,
    left: Floats | None = None,
    clip: float = 3.0,
) -> Floats:
    """Robust log likelihood of each observation for several sizes of the wander.

    Parameters
    ----------
    track : Track
    observed : (columns, n) float64
        One column, or easting and northing.
    factors : (f, lines) float64
        The track's wander is multiplied by each.
    left : (2, n) float64, optional
        Unit vector across the line at each node: with it only that component of (easting,
        northing) counts, for along the line the station is measured from the shots themselves.
    clip : float
        Innovations beyond so many standard deviations count linearly.

    Returns
    -------
    (f, n) float64
        By node, given the nodes before it on its line; 0 where nothing was observed.
    """
    chunks = _chunks(track)
    if chunks is not None:
        index, starts, core = chunks
        owner = np.repeat(np.arange(len(track.sizes)), track.sizes)[index[starts[:-1]]]
        part = Track(
            starts,
            track.gap[index],
            track.precision[index],
            track.wander[index],
            track.kink[index],
        )
        across = None if left is None else left[:, index]
        each = _likelihood_steps(part, observed[:, index], factors[:, owner], across, clip)
        result = np.empty((len(factors), len(track.gap)))
        result[:, index[core]] = each[:, core]
        return result
    return _likelihood_steps(track, observed, factors, left, clip)


def _likelihood_steps(
    track: Track,
    observed: Floats,
    factors: Floats,
    left: Floats | None,
    clip: float,
) -> Floats:
    count = len(track.gap)
    columns = len(observed)
    place, offsets = _step_order(track.starts)
    order = np.argsort(-track.sizes, kind="stable")
    gap, precision, wander, kink = (np.empty(count) for _ in range(4))
    gap[place], precision[place] = track.gap, track.precision
    wander[place], kink[place] = track.wander, track.kink
    data = np.empty((columns, count))
    data[:, place] = np.where(track.precision > 0, observed, 0.0)
    across = np.ones((columns, count))
    if left is not None:
        across[:, place] = left
    grid, lines = factors.shape
    scale = factors[:, order]
    p11 = np.full((grid, lines), POSITION_PRIOR)
    p12 = np.zeros((grid, lines))
    p22 = np.full((grid, lines), SLOPE_PRIOR)
    # only the component across needs a mean of its own once the gains are known
    x = [np.zeros((grid, lines)) for _ in range(columns)]
    v = [np.zeros((grid, lines)) for _ in range(columns)]
    terms = np.empty((grid, count))
    for t in range(len(offsets) - 1):
        a, b = int(offsets[t]), int(offsets[t + 1])
        m = b - a
        p11, p12, p22 = p11[:, :m], p12[:, :m], p22[:, :m]
        w, d = precision[a:b], gap[a:b]
        g = w / (1.0 + w * p11)
        k1, k2 = p11 * g, p12 * g
        nu_across = np.zeros((grid, m))
        for c in range(columns):
            nu = data[c, a:b] - x[c][:, :m]
            nu_across = nu_across + nu * across[c, a:b]
            vc = v[c][:, :m] + k2 * nu
            x[c] = x[c][:, :m] + k1 * nu + d * vc
            v[c] = vc
        z2 = nu_across * nu_across * g
        z2 = np.where(z2 > clip * clip, 2.0 * clip * np.sqrt(z2) - clip * clip, z2)
        terms[:, a:b] = np.where(w > 0, -0.5 * (z2 + np.log1p(w * p11)), 0.0)
        p22 = p22 - k2 * p12 + kink[a:b]
        p12 = p12 - k1 * p12
        p11 = p11 - k1 * p11
        qd = scale[:, :m] * (wander[a:b] * d)
        dp = d * p22
        p11 = p11 + d * (2.0 * p12 + dp + qd * d * (1.0 / 3.0))
        p12 = p12 + dp + 0.5 * qd * d
        p22 = p22 + qd
    return terms[:, place]


def between(
    track: Track, result: Smoothed, node: Integers, ahead: Floats
) -> tuple[Floats, Floats, Floats]:
    """Posterior at places past nodes and before the next ones.

    Parameters
    ----------
    track : Track
    result : Smoothed
    node : (k,) int64
        Node before each place; not a line's last.
    ahead : (k,) float64
        Station from it [m].

    Returns
    -------
    mean, slope : (columns, k) float64
    variance : (k,) float64
    """
    columns, count = len(result.mean), len(node)
    mean, slope = np.empty((columns, count)), np.empty((columns, count))
    variance = np.empty(count)
    # blocks that stay in the processor's cache
    for low in range(0, count, BLOCK):
        part = slice(low, low + BLOCK)
        mean[:, part], slope[:, part], variance[part] = _between_block(
            track, result, node[part], ahead[part]
        )
    return mean, slope, variance


def _between_block(
    track: Track, result: Smoothed, node: Integers, ahead: Floats
) -> tuple[Floats, Floats, Floats]:
    d = track.gap[node]
    rest = d - ahead
    q = track.wander[node]
    f11, f12, f22 = result.filtered_variance[:, node]
    f22 = f22 + track.kink[node]
    qu = q * ahead
    p11 = f11 + ahead * (2.0 * f12 + ahead * f22 + qu * ahead / 3.0)
    p12 = f12 + ahead * f22 + 0.5 * qu * ahead
    p22 = f22 + qu
    n11, n12, n22 = result.adjoint_variance[:, node + 1]
    l11 = n11
    l12 = n12 + rest * n11
    l22 = n22 + rest * (2.0 * n12 + rest * n11)
    variance = p11 - (p11 * p11 * l11 + 2.0 * p11 * p12 * l12 + p12 * p12 * l22)
    r1 = result.adjoint[:, 0, node + 1]
    r2 = result.adjoint[:, 1, node + 1] + rest * r1
    x, v = result.filtered[:, 0, node], result.filtered[:, 1, node]
    mean = x + ahead * v + p11 * r1 + p12 * r2
    slope = v + p12 * r1 + p22 * r2
    return mean, slope, variance


def _step_order(starts: Integers) -> tuple[Integers, Integers]:
    """Place of each node when step t of all lines stands together, and where steps start."""
    sizes = np.diff(starts)
    count = int(starts[-1])
    lines = len(sizes)
    position = np.empty(lines, np.int64)
    position[np.argsort(-sizes, kind="stable")] = np.arange(lines)
    longest = int(sizes.max(initial=0))
    running = lines - np.cumsum(np.bincount(sizes, minlength=longest + 1))[:longest]
    offsets = np.concatenate(([0], np.cumsum(running))).astype(np.int64)
    step = np.arange(count) - np.repeat(starts[:-1], sizes)
    return offsets[step] + np.repeat(position, sizes), offsets


def _chunks(track: Track) -> tuple[Integers, Integers, npt.NDArray[np.bool_]] | None:
    """Long lines as overlapping pieces: far shots do not matter.

    The smoother forgets as exp(-s / (sqrt(2) l)), l = (spacing / (precision q))^(1/4); pieces
    overlap by fourteen times l or more, so that the cut is felt below a micrometre.

    Returns
    -------
    index : (c,) int64
        Nodes of all pieces, one after the other.
    starts : (pieces + 1,) int64
    core : (c,) bool
        The node belongs to this piece proper, not to an overlap.
    """
    sizes = track.sizes
    if sizes.max(initial=0) <= LONG:
        return None
    begins, ends, core_begins, core_ends = [], [], [], []
    for line in range(len(sizes)):
        low, high = int(track.starts[line]), int(track.starts[line + 1])
        if high - low <= LONG:
            begins.append(low)
            ends.append(high)
            core_begins.append(low)
            core_ends.append(high)
            continue
        part = slice(low, high - 1)
        spacing = max(float(np.mean(track.gap[part])), 1e-3)
        seen = track.precision[low:high]
        worst = float(np.percentile(seen[seen > 0], 10)) if bool((seen > 0).any()) else 1.0
        share = max(float(np.mean(seen > 0)), 0.01)
        q = float(np.min(track.wander[part]))
        memory = (spacing / share / (worst * q)) ** 0.25 * np.sqrt(2.0)
        overlap = int(_FADE * memory / spacing) + 32
        size = max(200, overlap)
        if high - low <= size + 2 * overlap:
            size = high - low
        for c in range(low, high, size):
            core_begins.append(c)
            core_ends.append(min(c + size, high))
            begins.append(max(low, c - overlap))
            ends.append(min(high, c + size + overlap))
    first, last = np.array(begins), np.array(ends)
    piece_sizes = last - first
    starts = np.concatenate(([0], np.cumsum(piece_sizes)))
    index = np.arange(int(starts[-1])) + np.repeat(first - starts[:-1], piece_sizes)
    core = (index >= np.repeat(core_begins, piece_sizes)) & (
        index < np.repeat(core_ends, piece_sizes)
    )
    return index, starts, core
