"""What the invented receivers show, against an independent field library."""

import csv
import io

import magpylib
import numpy as np
import pytest

from asfound.demo import generate, simulate
from asfound.demo.sweeps import SWEEPS_FILE

FAR = 2000.0


def wires(position, depth, current):
    """Long straight conductors along y, as polylines of the magpylib library."""
    return magpylib.Collection(
        [
            magpylib.current.Polyline(current=float(i), vertices=[(x, -FAR, -d), (x, FAR, -d)])
            for x, d, i in zip(position, depth, current, strict=True)
        ]
    )


def test_readings_of_sweeps_are_the_field_of_the_true_conductors():
    demo = generate(7)
    rows = list(csv.DictReader(io.StringIO(demo.files[SWEEPS_FILE].decode())))
    assert {row["Coil"] for row in rows} == {"horizontal", "vertical"}
    assert len(demo.truth.sweeps) == 4
    scores = []
    for sweep in demo.truth.sweeps:
        mine = [row for row in rows if row["Sweep"] == sweep.name]
        place = [(float(r["Tape (m)"]), 0.0, float(r["Coil height (m)"])) for r in mine]
        field = wires(sweep.position, sweep.depth, sweep.current).getB(np.array(place)) * 1e9
        axis = np.array([0 if r["Coil"] == "horizontal" else 2 for r in mine])
        true = np.abs(field[np.arange(len(mine)), axis])
        read = np.array([float(r["Reading (nT)"]) for r in mine])
        scores.append((read - true) / np.hypot(0.01 * true, 0.02))
    scores = np.concatenate(scores)
    assert np.abs(scores).max() < 5
    assert scores.std() == pytest.approx(1.0, rel=0.25)


def test_the_tape_of_each_sweep_lies_over_the_line():
    for seed in range(10):
        truth = simulate(seed)[3]
        for sweep in truth.sweeps:
            line = next(line for line in truth.lines if line.name == sweep.line)
            station, right = line.path.nearest(sweep.easting[:1], sweep.northing[:1])
            assert abs(right[0]) < 1e-6
            assert line.path.at(station)[2][0] == pytest.approx(sweep.height[0], abs=1e-3)
            assert 1.5 < sweep.position[0] < 3.5


def test_a_strong_neighbour_moves_peak_and_depth_where_the_truth_says_distortion():
    depth_errors, offsets = [], []
    for seed in range(40):
        shots, _, _, truth = simulate(seed)
        rows = truth.cause == "distortion"
        true = (truth.ground_height - truth.height)[rows]
        depth_errors.append(np.median(np.abs(shots.depth[rows] / true - 1)))
        offsets.append(
            np.median(
                np.hypot(
                    (truth.tip_easting - truth.easting)[rows],
                    (truth.tip_northing - truth.northing)[rows],
                )
            )
        )
    assert min(offsets) > 0.06
    assert np.median(depth_errors) > 0.12
