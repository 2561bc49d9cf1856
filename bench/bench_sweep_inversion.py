"""Two-conductor inversion of 10,000 sweeps against a loop over `scipy.optimize.least_squares`.

Each sweep has 244 readings: 61 positions, both coils, two heights. Both sides start from the same
places (one for each sweep, a tenth of a metre off) and solve the same problem: two positions, two
depths, two currents, least squares. The reference gets the analytic Jacobian, which it and the
residuals compute vectorised over the readings, in both of its methods: 'trf' (the default) and
'lm' (MINPACK). It is timed on `REFERENCE` sweeps. The answers are compared where the bound says
that both conductors can be placed (0.15 m); elsewhere the misfit is flat for metres and where a
solver stops is its own affair.

Single process; times are of its CPU, which other work on the machine disturbs least. Run with
OMP_NUM_THREADS=1.
"""

from __future__ import annotations

import resource
import sys
import time
import tracemalloc

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from asfound.em import CrossSection, section_field
from asfound.em.inversion import SweepBatch, fit_places, invert_sweeps, shared_batch, sweep_bound

SWEEPS = 10_000
REFERENCE = 200
NOISE = 0.01
TAPE = np.linspace(-3, 3, 61)
POSITION = np.tile(TAPE, 4)
HEIGHT = np.repeat([0.05, 0.45, 0.05, 0.45], 61)
COIL = np.repeat([0, 0, 1, 1], 61).astype(np.int8)

Floats = npt.NDArray[np.float64]


def draw(n: int, seed: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Positions, depths, currents (n, 2) and noisy readings (n, 244) with a peak of 1."""
    rng = np.random.default_rng(seed)
    depth = rng.uniform(0.3, 3.0, (n, 2))
    separation = rng.uniform(0.4, 3.0, n)[:, np.newaxis]
    position = rng.uniform(-0.5, 0.5, (n, 1)) + separation * np.array([-0.5, 0.5])
    current = np.stack([np.ones(n), rng.uniform(-0.8, 0.8, n)], axis=1)
    section = CrossSection(position, depth, current)
    low, high = section_field(section, TAPE, 0.05), section_field(section, TAPE, 0.45)
    field = np.concatenate([low[0], high[0], low[1], high[1]], axis=1)
    peak = np.abs(field).max(axis=1, keepdims=True)
    value = field / peak + NOISE * rng.standard_normal(field.shape)
    return position, depth, current, value


def reference(value: Floats, start: Floats, method: str) -> tuple[Floats, float]:
    """Places (x1, x2, d1, d2) by least_squares for one sweep, and the misfit."""
    vertical = COIL == 1
    scale = 1.0 / (NOISE * np.abs(value).max())

    def fields(p: Floats) -> tuple[Floats, Floats, Floats]:
        across, above = POSITION - p[:2, np.newaxis], p[2:4, np.newaxis] + HEIGHT
        return across, above, 1.0 / (across * across + above * above)

    def residuals(p: Floats) -> Floats:
        across, above, inverse = fields(p)
        return (p[4:] @ (np.where(vertical, -across, above) * inverse) - value) * scale

    def jacobian(p: Floats) -> Floats:
        across, above, inverse = fields(p)
        slope = 2.0 * across * above * inverse**2
        curve = (above * above - across * across) * inverse**2
        current = p[4:, np.newaxis]
        rows = np.concatenate(
            [
                np.where(vertical, curve, slope) * current,
                np.where(vertical, slope, -curve) * current,
                np.where(vertical, -across, above) * inverse,
            ]
        )
        return rows.T * scale

    across, above, inverse = fields(start)
    each = np.where(vertical, -across, above) * inverse
    current = np.linalg.lstsq(each.T, value, rcond=None)[0]
    found = least_squares(
        residuals,
        np.concatenate([start, current]),
        jacobian,
        method=method,
        ftol=1e-13,
        xtol=1e-10,
        gtol=1e-13,
    )
    return found.x[:4], 2.0 * float(found.cost)


def main() -> None:
    position, depth, current, value = draw(SWEEPS, 1)
    bound = sweep_bound(position, depth, current, POSITION, HEIGHT, COIL, relative_noise=NOISE)
    placed = np.maximum(bound.position_sd, bound.depth_sd).max(axis=1) < 0.15
    truth = np.concatenate([position.T, depth.T])
    start = truth + 0.1 * np.random.default_rng(2).standard_normal(truth.shape)
    start[2:] = np.maximum(start[2:], 0.15)

    def batch(rows: slice) -> SweepBatch:
        return shared_batch(
            POSITION, HEIGHT, COIL, value[rows], unit="nT", signed=True, relative_noise=NOISE
        )

    fit_places(batch(slice(0, 500)), 2, start=start[np.newaxis, :, :500])  # warm up
    times = {}
    for n in (SWEEPS // 4, SWEEPS // 2, SWEEPS):
        runs = []
        for _ in range(3):
            begin = time.process_time()
            ours = fit_places(batch(slice(0, n)), 2, start=start[np.newaxis, :, :n])
            runs.append(time.process_time() - begin)
        times[n] = min(runs)
        print(f"ours      {n:6d} sweeps {times[n]:8.3f} s  {1e6 * times[n] / n:8.1f} us a sweep")
    each = times[SWEEPS] / SWEEPS

    # Positions and depths do not come in one order: the nearer pairing.
    found = np.concatenate([ours.position.T, ours.depth.T])
    for method in ("trf", "lm"):
        begin = time.process_time()
        answers = [reference(value[i], start[:, i], method) for i in range(REFERENCE)]
        loop = (time.process_time() - begin) / REFERENCE
        theirs = np.array([a[0] for a in answers]).T
        misfit = np.array([a[1] for a in answers])
        here = found[:, :REFERENCE]
        gap = np.minimum(
            np.abs(theirs - here).max(axis=0), np.abs(theirs[[1, 0, 3, 2]] - here).max(axis=0)
        )
        same = gap[placed[:REFERENCE]] < 1e-6
        lower = misfit - ours.misfit[:REFERENCE]
        print(
            f"reference {method:3s} {REFERENCE:5d} sweeps {loop * REFERENCE:8.3f} s "
            f"{1e6 * loop:8.1f} us a sweep   ratio {loop / each:6.1f}"
        )
        print(
            f"  same places to 1e-6 m where both can be placed: {same.mean():.3f} of {len(same)};"
            f" misfit lower by more than 1e-6: ours {np.mean(lower > 1e-6):.3f},"
            f" reference {np.mean(lower < -1e-6):.3f} of all"
        )

    begin = time.process_time()
    fit_places(batch(slice(0, SWEEPS)), 2)
    blind = time.process_time() - begin
    print(f"ours, blind (scans and many starts): {1e6 * blind / SWEEPS:.0f} us a sweep")
    begin = time.process_time()
    invert_sweeps(batch(slice(0, 2000)))
    whole = time.process_time() - begin
    print(f"ours, whole inversion (1 to 4, outliers, regions): {1e6 * whole / 2000:.0f} us a sweep")

    tracemalloc.start()
    fit_places(batch(slice(0, SWEEPS)), 2, start=start[np.newaxis])
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    print(f"readings {value.nbytes / 1e6:.0f} MB; peak memory of the fit {peak / 1e6:.0f} MB")
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"peak memory of the process: {most / (1e6 if sys.platform == 'darwin' else 1e3):.0f} MB")


if __name__ == "__main__":
    main()
