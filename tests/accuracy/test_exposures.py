"""Exposures against fitted lines: from shots through the fit to residuals."""

from functools import cache

import numpy as np
import pytest

from asfound.accuracy import exposure_checks, judge_budget, statements, stations_of
from asfound.alignment import assemble, fit_lines
from asfound.budget import error_budget, load_profile
from asfound.errors import InputError
from asfound.geodesy import points_to_ground
from asfound.model import Exposure, Frame, JobSettings, Method, NominalSize, Shots, Source, Utility

SETTINGS = JobSettings(
    "job", Frame("ETRF2000 / UTM zone 32N"), sizes=(NominalSize(0.114, Utility.GAS),)
)
EAST, NORTH, GROUND, DEPTH = 500_000.0, 5_400_000.0, 300.0, 1.0
SOURCE = Source("A", "", "", 0, 40, Frame("ETRF2000 / UTM zone 32N"), "ground")


@cache
def job(seed):
    """One straight gas line due east, shot every four metres with the budget's own errors."""
    rng = np.random.default_rng(seed)
    along = np.arange(40) * 4.0
    x = np.full(40, EAST) + along
    shots = Shots.build(
        x,
        np.full(40, NORTH),
        height=np.full(40, GROUND),
        time=np.datetime64("2026-05-01T08:00", "us") + np.arange(40) * np.timedelta64(20, "s"),
        utility=int(Utility.GAS),
        line="G1",
        hookup="H1",
        method=int(Method.DIRECT),
        depth=DEPTH,
        current=0.1,
        fix=4,
        antenna_height=2.0,
    )
    ground = points_to_ground(shots.x, shots.y, shots.height, shots.time, SOURCE, SETTINGS)
    assembly = assemble(shots, ground)
    profile = load_profile({})
    budget = error_budget(shots, ground, assembly, (SOURCE,), SETTINGS, profile)
    own = budget.independent
    shared = np.maximum(budget.covariance - own, 0.0)
    east, north, up = (np.sqrt(own[:, k, k]) * rng.standard_normal(40) for k in range(3))
    north = north + np.sqrt(shared[:, 1, 1]) * rng.standard_normal()
    up = up + np.sqrt(shared[:, 2, 2]) * rng.standard_normal()
    moved = Shots.build(
        x + east, shots.y + north, **{
            name: getattr(shots, name)
            for name in ("time", "utility", "line", "hookup", "method", "current", "fix",
                         "antenna_height")
        }, height=shots.height, depth=shots.depth - up,
    )  # fmt: skip
    ground = points_to_ground(moved.x, moved.y, moved.height, moved.time, SOURCE, SETTINGS)
    assembly = assemble(moved, ground)
    budget = error_budget(moved, ground, assembly, (SOURCE,), SETTINGS, profile)
    verdict = np.zeros(40, np.int8)
    lines = fit_lines(moved, ground, budget, assembly, verdict, SETTINGS)
    return lines, ground, budget, assembly, verdict


def seen(rng=None, count=4, **more):
    spots = np.linspace(20.0, 130.0, count)
    noise = np.zeros((count, 2)) if rng is None else rng.standard_normal((count, 2)) * [0.015, 0.02]
    return [
        Exposure(
            f"E{k + 1}", "G1", EAST + s, NORTH + float(noise[k, 0]),
            DEPTH - 0.057 - float(noise[k, 1]), **{"ground_height": GROUND, **more},
            horizontal_sd=0.015,
        )
        for k, s in enumerate(spots)
    ]  # fmt: skip


def test_residuals_are_across_the_line_and_of_the_centre_below_the_top():
    lines, *rest = job(1)
    checks = exposure_checks(seen(), lines, *rest)
    assert len(checks) == 4
    np.testing.assert_allclose(checks.difference[:, 0], 0.0, atol=2e-3)  # the line runs east
    assert np.abs(checks.difference[:, 1]).max() < 0.1
    assert np.abs(checks.difference[:, 2]).max() < 0.2
    np.testing.assert_allclose(checks.place[:, 2], GROUND - DEPTH, atol=1e-9)
    kinds = [(item.standard[:5], item.quantity) for item in statements(checks)]
    assert kinds == [
        ("NSSDA", "across the line"),
        ("NSSDA", "vertical"),
        ("ASPRS", "vertical"),
    ]


def test_a_measured_size_takes_the_place_of_the_nominal_one():
    lines, *rest = job(1)
    nominal = exposure_checks(seen(), lines, *rest)
    measured = exposure_checks(seen(outside_diameter=0.214), lines, *rest)
    np.testing.assert_allclose(measured.difference[:, 2] - nominal.difference[:, 2], 0.05)


def test_exposures_of_one_line_share_its_depth_scale():
    lines, *rest = job(1)
    joint = exposure_checks(seen(), lines, *rest).joint
    up = joint[2::3, 2::3]
    correlation = up[0, 3] / np.sqrt(up[0, 0] * up[3, 3])
    assert correlation > 0.3


def test_honest_lines_are_called_honest_by_their_exposures_19_times_of_20():
    held = []
    for seed in range(60):
        lines, *rest = job(seed)
        rng = np.random.default_rng(1000 + seed)
        held.append(judge_budget(exposure_checks(seen(rng), lines, *rest)).honest)
    assert np.mean(held) > 0.86


def test_stations_are_along_the_axis_and_strays_are_refused():
    lines = job(1)[0]
    line, station, away = stations_of(seen(), lines)
    assert line.tolist() == [0] * 4
    np.testing.assert_allclose(station, [20.0, 56.67, 93.33, 130.0], atol=0.2)
    assert away.max() < 0.1
    with pytest.raises(InputError, match="no line 'W5'") as caught:
        stations_of([Exposure("E", "W5", EAST, NORTH, 1.0)], lines)
    assert "G1" in caught.value.remedy
    with pytest.raises(InputError, match="2 lines 'G1'"):
        stations_of(seen(count=1), [lines[0], lines[0]])


def test_without_a_ground_height_depths_are_compared():
    lines, *rest = job(1)
    measured = exposure_checks(seen(), lines, *rest)
    depths = exposure_checks(seen(ground_height=float("nan")), lines, *rest)
    station = stations_of(seen(), lines)[1]
    ground = np.interp(station, lines[0].axis_station, lines[0].ground_height)
    np.testing.assert_allclose(
        depths.difference[:, 2] - measured.difference[:, 2], GROUND - ground, atol=1e-9
    )
