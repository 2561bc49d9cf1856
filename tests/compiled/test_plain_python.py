"""Compiled loops against the same lines run as plain Python, which raises past an array's end."""

import os
import subprocess
import sys

import numpy as np
import pytest

WORK = """
import sys
from dataclasses import replace
import numpy as np
from asfound.demo import simulate
from asfound.job import process
from asfound.model import Intake

def survey(seed, how):
    shots, sources, settings, _ = simulate(seed)
    rng = np.random.default_rng(seed)
    if how == "shuffled":
        rows = rng.permutation(len(shots))
        shots = replace(shots.take(rows), time=shots.time)
    elif how == "gaps":
        holes = rng.random((5, len(shots))) < 0.1
        x, y, depth, current, sd = (
            np.where(hole, np.nan, column)
            for hole, column in zip(
                holes, (shots.x, shots.y, shots.depth, shots.current, shots.east_sd)
            )
        )
        shots = replace(shots, x=x, y=y, depth=depth, current=current, east_sd=sd)
    elif how == "few":
        shots = shots.take(np.arange(3))
    elif how == "none":
        shots = shots.take(np.arange(0))
    return Intake(sources, shots, (), (), ()), settings

found = {}
for how in ("as logged", "shuffled", "gaps", "few", "none"):
    results = process(*survey(7, how))
    found |= {f"{how}: {name}": value for name, value in {
        "line": results.assembly.line,
        "rank": results.assembly.rank,
        "bearing": results.assembly.bearing,
        "covariance": results.budget.covariance,
        "circle": results.budget.horizontal_95,
        "verdict": results.verdict,
        "findings": np.array([f"{f.rule.id} {f.index} {f.severity}" for f in results.findings]),
        "easting": np.array([value for line in results.lines for value in line.easting]),
        "height": np.array([value for line in results.lines for value in line.height]),
        "envelope": np.array([value for line in results.lines for value in line.covariance]),
        "crossings": np.array([(c.station_a, c.separation_sd) for c in results.crossings]),
    }.items()}
np.savez(sys.argv[1], **found)
"""


def run(folder, name, **environment):
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", WORK, str(folder / name)],
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    with np.load(folder / name) as kept:
        return dict(kept)


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    folder = tmp_path_factory.mktemp("compiled")
    return run(folder, "compiled.npz"), run(folder, "plain.npz", NUMBA_DISABLE_JIT="1")


def test_a_job_comes_out_the_same_compiled_or_not(both):
    compiled, plain = both
    assert set(compiled) == set(plain)
    for name, values in compiled.items():
        if values.dtype.kind == "f":
            np.testing.assert_allclose(
                values, plain[name], rtol=1e-7, atol=1e-9, equal_nan=True, err_msg=name
            )
        else:
            np.testing.assert_array_equal(values, plain[name], err_msg=name)


def test_the_jobs_compared_have_something_to_compare(both):
    compiled, _ = both
    assert len(compiled["shuffled: line"]) > 400
    assert len(set(compiled["shuffled: line"].tolist())) > 5
    assert len(compiled["none: line"]) == 0
    assert len(compiled["as logged: findings"]) > 20
