"""The generator's noise is what it says: sizes and correlations against the table of terms.

Positions are reduced here by PROJ and plain trigonometry, not by the code that is being fed.
Bounds are at least four standard errors wide for the number of draws, so that a seed can't fail
by chance.
"""

from dataclasses import replace

import numpy as np
import pytest
from pyproj import Transformer

from asfound.demo import logbook as logbook_module
from asfound.demo import simulate
from asfound.model import Fix
from asfound.units import decimal_year

SEEDS = range(60)
FOOT = 1200 / 3937  # US survey foot, NIST SP 811 appendix B


def reduce(shots, sources):
    """East, north, up of the tip in the job's grid [m], by PROJ and the recorded lever arm."""
    easting, northing, height = (np.empty(len(shots)) for _ in range(3))
    for index, source in enumerate(sources):
        rows = shots.source == index
        x, y, h = shots.x[rows], shots.y[rows], shots.height[rows]
        if source.frame.crs == "EPSG:6467":
            e, n = x * FOOT, y * FOOT
        else:
            pole = Transformer.from_crs(source.frame.crs, "EPSG:6319", always_xy=True)
            lon, lat, h, _ = pole.transform(x, y, h, decimal_year(shots.time[rows]))
            grid = Transformer.from_crs("EPSG:6319", "EPSG:6466", always_xy=True)
            e, n = grid.transform(lon, lat)
        arm = np.where(
            np.isnan(shots.antenna_height[rows]), source.antenna_height, shots.antenna_height[rows]
        )
        tilt = np.nan_to_num(shots.tilt[rows])
        lean = np.nan_to_num(shots.tilt_bearing[rows])
        # Grid convergence here is -0.025 degrees: 0.8 mm at most on a pole at full tilt.
        easting[rows] = e - arm * np.sin(tilt) * np.sin(lean)
        northing[rows] = n - arm * np.sin(tilt) * np.cos(lean)
        height[rows] = h - arm * np.cos(tilt)
    return easting, northing, height


@pytest.fixture(scope="module")
def errors():
    """Errors of position of all jobs: arrays by name."""
    parts = []
    for seed in SEEDS:
        shots, sources, _, truth = simulate(seed)
        easting, northing, height = reduce(shots, sources)
        parts.append(
            {
                "seed": np.full(len(shots), seed),
                "source": shots.source.astype(int),
                "fix": shots.fix,
                "cause": truth.cause,
                "control": truth.line == "",
                "east": easting - truth.tip_easting,
                "north": northing - truth.tip_northing,
                "up": height - truth.ground_height,
                "east_sd": shots.east_sd,
                "up_sd": shots.up_sd,
                "base": shots.base_distance,
            }
        )
    return {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}


def within_groups(errors, values, rows):
    """Standard deviation about the mean of each upload of each job: shared terms drop out."""
    total, count, groups = 0.0, 0, errors["seed"] * 10 + errors["source"]
    for group in np.unique(groups[rows]):
        inside = values[rows & (groups == group)]
        total += ((inside - inside.mean()) ** 2).sum()
        count += len(inside) - 1
    return np.sqrt(total / count)


def test_fixed_positions_with_reported_sd_scatter_as_reported(errors):
    rows = (errors["cause"] == "") & np.isfinite(errors["east_sd"])
    reported = np.sqrt((errors["east_sd"][rows] ** 2).mean())
    # Measured tilt: 0.3 degrees on a pole of 1.9 m. Latency: 0.2 s at 0 to 5 cm/s, along the walk.
    tilt, latency = 1.9 * np.radians(0.3), 0.2 * 0.05 / np.sqrt(3)
    found = np.hypot(*(within_groups(errors, errors[axis], rows) for axis in ("east", "north")))
    expected = np.sqrt(2 * reported**2 + 2 * tilt**2 + latency**2)
    assert found == pytest.approx(expected, rel=0.03)
    up = np.sqrt((errors["up_sd"][rows] ** 2).mean() + 0.008**2)
    assert within_groups(errors, errors["up"], rows) == pytest.approx(up, rel=0.03)


def test_fixed_positions_without_reported_sd_scatter_as_the_receivers_class(errors):
    rows = (errors["cause"] == "") & np.isnan(errors["east_sd"])
    base = errors["base"][rows].mean()
    horizontal = np.hypot((0.008 + 1e-6 * base) / np.sqrt(2), 2.0 * np.radians(0.5))
    for axis in ("east", "north"):
        assert within_groups(errors, errors[axis], rows) == pytest.approx(horizontal, rel=0.03)
    up = np.hypot(0.015 + 1e-6 * base, 0.008)
    assert within_groups(errors, errors["up"], rows) == pytest.approx(up, rel=0.03)


def test_each_upload_carries_one_offset_of_its_correction_service_and_pole(errors):
    # the afternoon's uploads are short: their own noise does not average away
    rows = (errors["cause"] == "") & (errors["source"] < 4)
    groups = errors["seed"] * 10 + errors["source"]
    means = {
        axis: np.array([errors[axis][rows & (groups == g)].mean() for g in np.unique(groups[rows])])
        for axis in ("east", "north", "up")
    }
    # 240 uploads; the mean of about 100 shots adds some 2 mm to each.
    for axis in ("east", "north"):
        assert means[axis].std() == pytest.approx(0.0053, rel=0.2)
        assert abs(means[axis].mean()) < 0.0015
    assert means["up"].std() == pytest.approx(np.hypot(0.008, 0.003), rel=0.2)


def test_float_positions_scatter_by_decimetres(errors):
    rows = errors["fix"] == Fix.RTK_FLOAT
    assert (rows == (errors["cause"] == "float")).all()
    for axis, size in (("east", 0.25), ("north", 0.25), ("up", 0.5)):
        assert errors[axis][rows].std() == pytest.approx(size, rel=0.15)


def test_a_wrong_antenna_height_shows_in_height_only(errors):
    rows = errors["cause"] == "antenna-height"
    assert (np.abs(errors["up"][rows]) > 0.2).all()
    assert np.hypot(errors["east"][rows], errors["north"][rows]).max() < 0.12


def test_a_mistyped_position_is_metres_off_and_no_other_is(errors):
    distance = np.hypot(errors["east"], errors["north"])
    typed = errors["cause"] == "position-typing"
    assert (distance[typed] > 2.4).all()
    assert (distance[typed] < 710).all()
    others = ~typed & (errors["fix"] == Fix.RTK_FIXED) & (errors["cause"] != "wrong-frame")
    assert (distance[others] < 0.15).all()


@pytest.fixture(scope="module")
def quiet():
    """EM errors of clean shots of jobs without neighbours: across the line and in depth."""
    patch = pytest.MonkeyPatch()
    patch.setattr(
        logbook_module,
        "OWN_SIGNAL",
        replace(logbook_module.OWN_SIGNAL, weak_share=0.0, strong_share=0.0),
    )
    across, ratio, depth, group = [], [], [], []
    for seed in SEEDS:
        shots, _, _, truth = simulate(seed)
        rows = (truth.cause == "") & (truth.line != "")
        true_depth = (truth.ground_height - truth.height)[rows]
        east = (truth.tip_easting - truth.easting)[rows]
        north = (truth.tip_northing - truth.northing)[rows]
        across.append(np.hypot(east, north) / np.hypot(0.015, 0.02 * true_depth))
        ratio.append(shots.depth[rows] / true_depth)
        depth.append(true_depth)
        group.append(seed * 100 + shots.hookup.codes[rows])
    patch.undo()
    return tuple(np.concatenate(part) for part in (across, ratio, depth, group))


def test_pinpointing_scatters_across_the_line_as_said(quiet):
    across = quiet[0]
    assert np.sqrt((across**2).mean()) == pytest.approx(1.0, rel=0.03)


def test_depths_scatter_as_two_noisy_coils_and_a_scale_of_the_hook_up_make_them(quiet):
    _, ratio, depth, group = quiet
    # d = s Bt / (Bb - Bt) - h with 1 % noise on each coil: relative sd of d + h is
    # 0.01 sqrt(2) (d + h + s) / s.
    noise = 0.01 * np.sqrt(2) * (depth + 0.45) / 0.4 * (depth + 0.05) / depth
    scores = (ratio - 1) / noise
    means = np.array([(ratio[group == g] - 1).mean() for g in np.unique(group)])
    counts = np.array([(group == g).sum() for g in np.unique(group)])
    inside = np.concatenate(
        [scores[group == g] - scores[group == g].mean() for g in np.unique(group)]
    )
    assert inside.std() == pytest.approx(1.0, rel=0.04)
    many = counts > 20
    assert means[many].std() == pytest.approx(0.0215, rel=0.2)  # 2 % and the mean's own noise
