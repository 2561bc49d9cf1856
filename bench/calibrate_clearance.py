"""Do stated probabilities of contact come true? Reliability over many simulated jobs.

The simulation is that of `tests/simulated/test_clearance_calibration.py`, with more jobs and more
digs a job, so that the sampling error is well below three points. Digs of one job share errors:
the sampling error is that of jobs drawn anew with replacement. Prints stated and observed
frequency in five parts of equal number and in ten of equal width.

    python bench/calibrate_clearance.py [--jobs 500] [--digs 5] [--first 0] [--save found.npz]
"""

from __future__ import annotations

import argparse
import importlib.util
from pathlib import Path

import numpy as np

SIMULATION = Path(__file__).parents[1] / "tests/simulated/test_clearance_calibration.py"


def simulation():
    """The module of the test."""
    spec = importlib.util.spec_from_file_location("clearance_calibration", SIMULATION)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def show(part, stated, true, job):
    """One row a part: number, stated, observed, apart, sampling error of that."""
    rng = np.random.default_rng(9)
    jobs = np.unique(job)
    drawn = [np.bincount(rng.integers(0, len(jobs), len(jobs)), minlength=len(jobs))
             for _ in range(400)]  # fmt: skip
    row = np.searchsorted(jobs, job)
    for b in np.unique(part):
        mine = part == b
        again = [
            np.average((true - stated)[mine], weights=count[row[mine]])
            for count in drawn
            if count[row[mine]].any()
        ]
        apart = true[mine].mean() - stated[mine].mean()
        print(
            f"  {np.count_nonzero(mine):6d} pairs: stated {100 * stated[mine].mean():6.2f} %, "
            f"observed {100 * true[mine].mean():6.2f} %, apart {100 * apart:+5.2f} points, "
            f"sampling error {100 * np.std(again):4.2f}"
        )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=500)
    parser.add_argument("--first", type=int, default=0, help="number of the first job")
    parser.add_argument("--digs", type=int, default=5, help="digs a line; eight lines a job")
    parser.add_argument("--save", help="where to keep what was found")
    choice = parser.parse_args()
    simulated = simulation()
    seeds = range(choice.first, choice.first + choice.jobs)
    parts = [simulated.one_job(seed, choice.digs) for seed in seeds]
    stated, true, kind = (np.concatenate(column) for column in zip(*parts, strict=True))
    job = np.repeat(np.arange(len(parts)), [len(part[0]) for part in parts])
    if choice.save:
        np.savez(choice.save, stated=stated, true=true, kind=kind, job=job)
    print(f"{len(parts)} jobs, {len(stated)} pairs of dig and line; in fifths:")
    edges = np.quantile(stated, np.linspace(0.0, 1.0, 6))
    show(np.clip(np.searchsorted(edges, stated, side="right") - 1, 0, 4), stated, true, job)
    print("in steps of 0.1:")
    show(np.clip(10 * stated, 0, 9).astype(int), stated, true, job)
    print("by kind of dig (trench, bore, pit, post):")
    show(kind, stated, true, job)


if __name__ == "__main__":
    main()
