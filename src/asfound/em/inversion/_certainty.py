"""How sure the places and currents are.

The covariance is the inverse of the Fisher information at the fit. Where the misfit is not
quadratic out to two standard deviations, that is too small (or lopsided), so the misfit's own
profile is followed: one coordinate is held at its 95 % limit, all else is fitted again, and the
standard deviation grows until the misfit has risen by what a 95 % limit demands.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from asfound.em.inversion._bounds import Bounds
from asfound.em.inversion._levenberg import minimise
from asfound.em.inversion._likelihood import Kind, model_field, pretend
from asfound.em.inversion._moments import Readings, columns
from asfound.em.inversion._orders import OrderFit, draft_problems

FloatArray = npt.NDArray[np.float64]

LIMIT = 1.959963984540054  # two-sided 95 % of the normal
_NEAR_LIMITS = np.array([-4.0, -LIMIT, LIMIT, 4.0])  # 4: there a confident answer may not be wrong
_FAR_LIMITS = np.array([-10.0, 10.0])  # looked at where the misfit was flat out to those
_LOPSIDED = 1.3
_LARGEST_INFLATION = 20.0
_BLOCK = 256  # sweeps followed at once


def parameter_slopes(readings: Readings, place: FloatArray, linear: FloatArray) -> FloatArray:
    """Derivatives of the scaled field by the parameters, (n, p, r, k).

    Parameters run conductor by conductor: position, depth, current (in-phase, quadrature); then
    the background's parts.
    """
    size, n_parts = place.shape[0] // 2, linear.shape[1]
    n_linear = linear.shape[0]
    model = columns(readings, place, order=1)
    n, _, k = model.shape
    per = 2 + n_parts
    n_background = n_linear - size
    slopes = np.zeros((n, size * per + n_background * n_parts, n_parts, k))
    for c in range(size):
        for part in range(n_parts):
            current = linear[c, part][:, np.newaxis]
            slopes[:, c * per, part] = model[:, n_linear + c] * current
            slopes[:, c * per + 1, part] = model[:, n_linear + size + c] * current
            slopes[:, c * per + 2 + part, part] = model[:, c]
    for b in range(n_background):
        for part in range(n_parts):
            slopes[:, size * per + b * n_parts + part, part] = model[:, size + b]
    return slopes


def effective_weight(readings: Readings, kind: Kind, fit: OrderFit) -> FloatArray:
    """Information of each reading about its field, (n, k): the weight, less what is hidden.

    A magnitude near zero tells little of the field, a saturated reading that is exceeded nothing.
    """
    model = model_field(readings, fit.place, fit.linear)
    weight = pretend(readings, kind._replace(robust=False), model).weight
    if kind.unsigned:
        weight = weight * folded_information(np.abs(model[:, 0]) * np.sqrt(readings.weight))
    return weight


def folded_information(ratio: FloatArray) -> FloatArray:
    """Fisher information of a folded normal about its mean, relative to the normal's.

    Parameters
    ----------
    ratio : (...) float64
        Mean in standard deviations.

    Returns
    -------
    (...) float64
        0 at 0, 1 beyond 4. Interpolated in values integrated numerically: information of
        |x| with x ~ N(m, 1) is 1 - E[x² sech²(m x)].
    """
    knots = np.linspace(0.0, 5.0, 51)
    x = np.linspace(-12.0, 12.0, 2401)
    density = np.exp(-0.5 * (x - knots[:, np.newaxis]) ** 2) / np.sqrt(2.0 * np.pi)
    hidden = x**2 / np.cosh(np.minimum(np.abs(knots[:, np.newaxis] * x), 300.0)) ** 2
    values = 1.0 - (density * hidden).sum(axis=1) * (x[1] - x[0])
    result: FloatArray = np.interp(ratio, knots, np.clip(values, 0.0, 1.0))
    return result


def fisher_covariance(
    readings: Readings, place: FloatArray, linear: FloatArray, weight: FloatArray, chunk: int = 256
) -> FloatArray:
    """Inverse Fisher information of all parameters, (n, p, p), scaled currents.

    Parameters that the readings do not touch get an infinite variance (1e12).
    """
    blocks = []
    for start in range(0, place.shape[1], chunk):
        rows = np.arange(start, min(start + chunk, place.shape[1]))
        slopes = parameter_slopes(readings.rows(rows), place[:, rows], linear[..., rows])
        n, p, r, k = slopes.shape
        root = np.sqrt(weight[rows])[:, np.newaxis, np.newaxis]
        flat = (slopes * root).reshape(n, p, r * k)
        information = flat @ flat.transpose(0, 2, 1)
        diagonal = np.einsum("nii->ni", information)
        size = np.sqrt(np.maximum(diagonal, 1e-12))
        scaled = information / size[:, :, np.newaxis] / size[:, np.newaxis]
        scaled[:, np.arange(p), np.arange(p)] += 1e-12
        blocks.append(np.linalg.inv(scaled) / size[:, :, np.newaxis] / size[:, np.newaxis])
    return np.concatenate(blocks)


def noise_growth(
    square: FloatArray, freedom: FloatArray, known: npt.NDArray[np.bool_]
) -> FloatArray:
    """Factor on the variances, (n,), where the noise had to be estimated.

    The estimated noise variance, times the ratio of Student's t to the normal at 95 %, so that a
    region drawn with the normal's factor holds the truth 95 % of the time.
    """
    freedom = np.maximum(freedom, 1.0)
    spread = (stdtrit(freedom, 0.975) / LIMIT) ** 2
    return np.where(known, 1.0, square / freedom * spread)


def profile_inflation(
    readings: Readings,
    kind: Kind,
    bounds: Bounds,
    fit: OrderFit,
    direction: FloatArray,
    scale: FloatArray,
) -> FloatArray:
    """By how much the standard deviation of each place must grow, (2 C, n), at least 1.

    Parameters
    ----------
    readings, kind, bounds, fit : of n sweeps
    direction : (2 C, 2 C, n) float64
        ``direction[:, i]`` is how the places move with one standard deviation of place i.
    scale : (n,) float64
        Noise variance in units of the assumed one: the misfit is divided by it.

    Returns
    -------
    (2 C, n) float64
    """
    size2, n = direction.shape[1:]
    inflation = np.ones((size2, n))
    for start in range(0, n, _BLOCK):
        rows = np.arange(start, min(start + _BLOCK, n))
        part = (readings.rows(rows), kind.rows(rows), bounds.rows(rows), fit.rows(rows))
        growth = _growth(*part, direction[:, :, rows], scale[rows], _NEAR_LIMITS, None)
        lopsided = growth > _LOPSIDED
        if lopsided.any():
            farther = _growth(*part, direction[:, :, rows], scale[rows], _FAR_LIMITS, lopsided)
            growth = np.maximum(growth, farther)
        inflation[:, rows] = growth
    return inflation


def _growth(
    readings: Readings,
    kind: Kind,
    bounds: Bounds,
    fit: OrderFit,
    direction: FloatArray,
    scale: FloatArray,
    limits: FloatArray,
    which: npt.NDArray[np.bool_] | None,
) -> FloatArray:
    """Growth of the standard deviation of each place (of those in `which`), (2 C, n)."""
    size2, n = direction.shape[1:]
    # All places, limits and sweeps at once: place i, limit s, sweep j.
    i, s, j = (a.ravel() for a in np.indices((size2, len(limits), n)))
    low, high = (b[:, j] for b in bounds.boxes(size2 // 2))
    trial = fit.place[:, j] + limits[s] * direction[:, i, j]
    column = np.arange(len(i))
    inside = (trial[i, column] >= low[i, column]) & (trial[i, column] <= high[i, column])
    if which is not None:
        inside &= which[i, j]
    i, s, j, low, high = i[inside], s[inside], j[inside], low[:, inside], high[:, inside]
    trial = np.clip(trial[:, inside], low, high)
    demanded = limits[s] ** 2
    problems = draft_problems(readings, kind, np.concatenate([np.arange(n), j]))
    places = np.concatenate([fit.place, trial], axis=1)
    square = problems.evaluate(places, fit.linear[..., np.concatenate([np.arange(n), j])]).square
    least, rise = square[:n], (square[n:] - square[j]) / scale[j]
    # A rise wrong by a tenth changes nothing that matters.
    look = np.flatnonzero(np.abs(rise - demanded) > 0.1 * demanded)
    growth = np.ones((size2, n))
    if len(look) == 0:
        return growth
    i, j, demanded, column = i[look], j[look], demanded[look], np.arange(len(look))
    low, high, trial = low[:, look], high[:, look], trial[:, look]
    low[i, column] = high[i, column] = trial[i, column]
    held = minimise(
        problems.keep(n + look),
        trial,
        low,
        high,
        linear=fit.linear[..., j],
        max_iterations=8,
        tolerance=0.02,
    )
    rise = (held.square - least[j]) / scale[j]
    needed = np.sqrt(demanded / np.maximum(rise, demanded / _LARGEST_INFLATION**2))
    np.maximum.at(growth, (i, j), needed)
    return growth
