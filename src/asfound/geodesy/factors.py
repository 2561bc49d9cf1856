"""Grid convergence and scale of a projection, for a million points at little cost.

Both are smooth functions of place. They are worked out exactly at the nodes of a Chebyshev grid
over the data and spread to all points by the interpolating polynomial, whose error is measured
at other places; where it is too large, all points are worked out exactly.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from asfound.geodesy.ellipsoid import Ellipsoid

Floats = npt.NDArray[np.float64]
Projection = Callable[[Floats, Floats], tuple[Floats, Floats]]

TOLERANCE = 1e-9  # of convergence [rad] and of scale: 1 mm in 1000 km
_STEP = 1.0e-3  # degrees, about 100 m: balance of rounding and truncation (both below 1e-10)
_DEGREES = (2, 4, 7, 11)  # of the polynomial, tried in this order
_CHUNK = 1 << 14  # points at a time, so that work fits in the processor's cache


def exact_factors(
    project: Projection, longitude: Floats, latitude: Floats, ellipsoid: Ellipsoid
) -> tuple[Floats, Floats]:
    """Convergence and scale by fourth-order central differences of the projection itself.

    Parameters
    ----------
    project : callable
        Longitude, latitude [deg] to easting, northing [m].
    longitude, latitude : (n,) float64
        [deg].

    Returns
    -------
    convergence : (n,) float64
        True bearing minus grid bearing [rad].
    scale : (n,) float64
        Grid length / ellipsoid length; for projections that are not conformal the mean of all
        directions (square root of the area scale).
    """
    steps = np.array([-2.0, -1.0, 1.0, 2.0]) * _STEP
    weights = np.array([1.0, -8.0, 8.0, -1.0]) / (12.0 * np.radians(_STEP))
    count = len(longitude)
    lon = np.concatenate([np.add.outer(steps, longitude).ravel(), np.tile(longitude, 4)])
    lat = np.concatenate([np.tile(latitude, 4), np.add.outer(steps, latitude).ravel()])
    easting, northing = (np.reshape(v, (2, 4, count)) for v in project(lon, lat))
    with np.errstate(invalid="ignore"):
        along_lon = [np.tensordot(weights, v[0], 1) for v in (easting, northing)]
        along_lat = [np.tensordot(weights, v[1], 1) for v in (easting, northing)]
        convergence = -np.arctan2(along_lat[0], along_lat[1])
        sine_squared = np.sin(np.radians(latitude)) ** 2
        meridian, prime_vertical = ellipsoid.radii(sine_squared)
        area = along_lon[0] * along_lat[1] - along_lon[1] * along_lat[0]
        scale = np.sqrt(area / (meridian * prime_vertical * np.sqrt(1.0 - sine_squared)))
    return convergence, scale


def spread_factors(
    project: Projection, longitude: Floats, latitude: Floats, ellipsoid: Ellipsoid
) -> tuple[Floats, Floats]:
    """As `exact_factors` within `TOLERANCE`, for very many points; NaN where not finite."""
    convergence = np.full(len(longitude), np.nan)
    scale = np.full(len(longitude), np.nan)
    known = np.isfinite(longitude) & np.isfinite(latitude)
    everything = bool(known.all())
    lon, lat = (longitude, latitude) if everything else (longitude[known], latitude[known])
    if not len(lon):
        return convergence, scale
    results = _spread(project, lon, lat, ellipsoid)
    if everything:
        return results
    convergence[known], scale[known] = results
    return convergence, scale


def _spread(
    project: Projection, lon: Floats, lat: Floats, ellipsoid: Ellipsoid
) -> tuple[Floats, Floats]:
    if len(lon) > 500:
        whole = _box(lon, lat, 0.0)
        fitted = _fit(project, whole, ellipsoid)
        if fitted is not None:
            return fitted(lon, lat)
        # Strays may have stretched the box: fit the bulk, do the strays one by one.
        bulk = _box(lon, lat, 0.02)
        fitted = _fit(project, bulk, ellipsoid)
        if fitted is not None:
            inside = (lon >= bulk[0]) & (lon <= bulk[1]) & (lat >= bulk[2]) & (lat <= bulk[3])
            convergence, scale = np.empty_like(lon), np.empty_like(lon)
            convergence[inside], scale[inside] = fitted(lon[inside], lat[inside])
            rest = ~inside
            convergence[rest], scale[rest] = _in_chunks(project, lon[rest], lat[rest], ellipsoid)
            return convergence, scale
    return _in_chunks(project, lon, lat, ellipsoid)


def _in_chunks(
    project: Projection, lon: Floats, lat: Floats, ellipsoid: Ellipsoid
) -> tuple[Floats, Floats]:
    convergence, scale = np.empty_like(lon), np.empty_like(lon)
    for start in range(0, len(lon), _CHUNK):
        part = slice(start, start + _CHUNK)
        convergence[part], scale[part] = exact_factors(project, lon[part], lat[part], ellipsoid)
    return convergence, scale


def _box(lon: Floats, lat: Floats, trim: float) -> tuple[float, float, float, float]:
    if trim:
        west, east = np.quantile(lon, (trim, 1.0 - trim))
        south, north = np.quantile(lat, (trim, 1.0 - trim))
    else:
        west, east, south, north = lon.min(), lon.max(), lat.min(), lat.max()
    pad = 1e-5  # degrees: a box of no width would divide by zero
    return float(west) - pad, float(east) + pad, float(south) - pad, float(north) + pad


def _fit(
    project: Projection, box: tuple[float, float, float, float], ellipsoid: Ellipsoid
) -> Callable[[Floats, Floats], tuple[Floats, Floats]] | None:
    west, east, south, north = box
    if east - west > 20.0 or north - south > 20.0:
        return None

    def scaled(lon: Floats, lat: Floats) -> tuple[Floats, Floats]:
        return (2.0 * lon - west - east) / (east - west), (2.0 * lat - south - north) / (
            north - south
        )

    # Places between the nodes of any degree, edges included, to measure the error at.
    u, v = (w.ravel() for w in np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9)))
    check_lon = 0.5 * (west + east) + 0.5 * (east - west) * u
    check_lat = 0.5 * (south + north) + 0.5 * (north - south) * v
    truth = exact_factors(project, check_lon, check_lat, ellipsoid)
    if not all(np.isfinite(t).all() for t in truth):
        return None
    for degree in _DEGREES:
        node = np.cos(np.pi * (np.arange(degree + 1) + 0.5) / (degree + 1))
        a, b = (w.ravel() for w in np.meshgrid(node, node, indexing="ij"))
        at_nodes = exact_factors(
            project,
            0.5 * (west + east) + 0.5 * (east - west) * a,
            0.5 * (south + north) + 0.5 * (north - south) * b,
            ellipsoid,
        )
        if not all(np.isfinite(t).all() for t in at_nodes):
            return None
        # From values at the nodes to coefficients of powers of both scaled coordinates: well
        # conditioned on -1..1 for these degrees.
        inverse = np.linalg.inv(np.vander(node, increasing=True))
        coefficients = [inverse @ t.reshape(degree + 1, degree + 1) @ inverse.T for t in at_nodes]

        def evaluate(
            lon: Floats, lat: Floats, coefficients: list[Floats] = coefficients
        ) -> tuple[Floats, Floats]:
            out = np.empty((2, len(lon)))
            for start in range(0, len(lon), _CHUNK):
                part = slice(start, start + _CHUNK)
                x, y = scaled(lon[part], lat[part])
                for k, table in enumerate(coefficients):
                    out[k, part] = _horner(table, x, y)
            return out[0], out[1]

        guess = evaluate(check_lon, check_lat)
        if all(np.abs(g - t).max() < TOLERANCE for g, t in zip(guess, truth, strict=True)):
            return evaluate
    return None


def _horner(table: Floats, x: Floats, y: Floats) -> Floats:
    """Polynomial with `table[i, j]` before x to the i and y to the j (no matrix product: these
    are too narrow to gain from one, and its threads would fight for the cores).
    """
    total = np.zeros_like(x)
    inner = np.empty_like(x)
    for row in table[::-1]:
        inner.fill(row[-1])
        for coefficient in row[-2::-1]:
            inner *= y
            inner += coefficient
        total *= x
        total += inner
    return total
