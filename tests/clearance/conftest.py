"""Invented streets on a plane: shots with a known noise, lines fitted to them, digs near them."""

from types import SimpleNamespace

import numpy as np
import pytest

from asfound.alignment import assemble, fit_lines
from asfound.model import (
    Budget,
    BudgetTerm,
    Findings,
    Frame,
    Ground,
    Intake,
    JobSettings,
    Results,
    Shots,
)

EAST, NORTH, LEVEL = 500_000.0, 4_000_000.0, 100.0


def make_results(paths, rng=None, *, plane=0.03, level=0.05, scale=0.0, diameter=0.1, hookups=None):
    """Results of a job with one line a path.

    paths: (k, 3) true centres [m]. scale: shared depth error [m], one a hook-up. Without rng the
    shots are exact.
    """
    truth = np.concatenate(paths)
    owner = np.repeat(np.arange(len(paths)), [len(path) for path in paths])
    hookups = np.arange(len(paths)) if hookups is None else np.asarray(hookups)
    group = hookups[owner].astype(np.int32)
    count = len(truth)
    seen = truth.copy()
    if rng is not None:
        seen[:, :2] += rng.normal(0.0, plane, (count, 2))
        seen[:, 2] += rng.normal(0.0, level, count)
        seen[:, 2] += scale * rng.standard_normal(group.max() + 1)[group]
    zero = np.zeros(count)
    ground_height = np.full(count, LEVEL)
    depth = ground_height - seen[:, 2]
    shots = Shots.build(
        seen[:, 0],
        seen[:, 1],
        depth=depth,
        utility=np.full(count, 2, np.int8),
        line=[f"L{k}" for k in owner],
        hookup=[f"H{k}" for k in group],
        time=np.datetime64("2026-11-02T08:00:00", "us")
        + np.arange(count) * np.timedelta64(20, "s"),
    )
    ground = Ground(
        seen[:, 0], seen[:, 1], ground_height, zero, zero, ground_height, zero, zero + 1.0,
        zero + 2026.9, np.zeros(count, np.int16), (), 1.0, "ellipsoidal height",
    )  # fmt: skip
    independent = np.zeros((count, 3, 3))
    independent[:, 0, 0] = independent[:, 1, 1] = plane**2
    independent[:, 2, 2] = level**2
    covariance = independent.copy()
    covariance[:, 2, 2] += scale**2
    term = BudgetTerm(
        "depth-scale", "depth scale", "invented", zero, zero, zero, zero + scale**2, group
    )
    budget = Budget.of(
        (term,) if scale else (), covariance, independent, seen[:, 2], zero, zero,
        np.zeros((count, 3)), zero + diameter,
    )  # fmt: skip
    assembly = assemble(shots, ground)
    verdict = np.zeros(count, np.int8)
    settings = JobSettings("invented", Frame("EPSG:26913"), invented=True)
    lines = fit_lines(shots, ground, budget, assembly, verdict, settings)
    return Results(
        "0", settings, Intake((), shots, (), (), ()), ground, budget, Findings(()), verdict,
        assembly, lines, np.zeros(len(lines), np.int8), (),
    )  # fmt: skip


def straight(start, bearing, length, height, spacing=4.0):
    """A straight level path of points."""
    s = np.arange(0.0, length + 1e-9, spacing)
    angle = np.radians(bearing)
    return np.column_stack(
        (
            EAST + start[0] + s * np.sin(angle),
            NORTH + start[1] + s * np.cos(angle),
            np.full(len(s), height),
        )
    )


@pytest.fixture(scope="session")
def street():
    return SimpleNamespace(
        results=make_results, straight=straight, east=EAST, north=NORTH, level=LEVEL
    )
