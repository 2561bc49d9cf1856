"""How sure the places and currents are.

The covariance is the inverse of the Fisher information at the fit. Where the misfit is not
quadratic out to two standard deviations, that is too small (or lopsided), so the misfit's own
profile is followed: one coordinate is held at its 95 % limit, all else is fitted again, and the
standard deviation grows until the misfit has risen by what a 95 % limit demands.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.stats import t as student

from asfound.em.inversion._bounds import Bounds
from asfound.em.inversion._levenberg import minimise
from asfound.em.inversion._likelihood import Kind, model_field, pretend
from asfound.em.inversion._moments import Readings, columns
from asfound.em.inversion._orders import OrderFit, exact_problem

FloatArray = npt.NDArray[np.float64]

LIMIT = 1.959963984540054  # two-sided 95 % of the normal
_FAR = 4.0  # standard deviations at which a confident answer must still not be wrong
_FARTHER = 10.0  # looked at where the misfit was flat out to _FAR
_LOPSIDED = 1.3
_LARGEST_INFLATION = 20.0


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
    spread = (student.ppf(0.975, freedom) / LIMIT) ** 2
    return np.where(known, 1.0, square / freedom * spread)


def profile_inflation(
    readings: Readings,
    kind: Kind,
    bounds: Bounds,
    fit: OrderFit,
    deviation: FloatArray,
    direction: FloatArray,
    scale: FloatArray,
) -> FloatArray:
    """By how much the standard deviation of each place must grow, (2 C, n), at least 1.

    Parameters
    ----------
    readings, kind, bounds, fit : of n sweeps
    deviation : (2 C, n) float64
        Standard deviations of positions, then depths.
    direction : (2 C, 2 C, n) float64
        ``direction[:, i]`` is how the places move with one standard deviation of place i.
    scale : (n,) float64
        Noise variance in units of the assumed one: the misfit is divided by it.

    Returns
    -------
    (2 C, n) float64
    """
    size2, n = deviation.shape
    inflation = np.ones((size2, n))
    low, high = bounds.boxes(size2 // 2)
    problem = exact_problem(readings, kind)
    least = problem.evaluate(fit.place, fit.linear).square
    for i in range(size2):
        for sigmas in (-LIMIT, LIMIT, -_FAR, _FAR, -_FARTHER, _FARTHER):
            demanded = sigmas**2
            trial = fit.place + sigmas * direction[:, i]
            outside = (trial[i] < low[i]) | (trial[i] > high[i])
            trial = np.clip(trial, low, high)
            rise = (problem.evaluate(trial, fit.linear).square - least) / scale
            # A rise wrong by a tenth changes nothing that matters.
            look = (np.abs(rise - demanded) > 0.1 * demanded) & ~outside
            if abs(sigmas) == _FARTHER:
                look &= inflation[i] > _LOPSIDED
            look = np.flatnonzero(look)
            if len(look) == 0:
                continue
            tight_low, tight_high = low[:, look].copy(), high[:, look].copy()
            tight_low[i] = tight_high[i] = trial[i, look]
            held = minimise(
                problem.keep(look),
                trial[:, look],
                tight_low,
                tight_high,
                linear=fit.linear[..., look],
                max_iterations=8,
                tolerance=0.02,
            )
            rise = (held.projection.square - least[look]) / scale[look]
            growth = np.sqrt(demanded / np.maximum(rise, demanded / _LARGEST_INFLATION**2))
            inflation[i, look] = np.maximum(inflation[i, look], growth)
    return inflation
