"""The loop that sizes and adds up terms, against NumPy and against the terms themselves."""

import pickle

import numpy as np
import pytest

from asfound.budget import circular_factor, error_budget, load_profile, principal_axes
from asfound.budget._term_kernels import COLUMNS, SIZES
from asfound.em import two_coil_depth_sd
from asfound.model import SweepCorrection


@pytest.fixture
def scene(survey, straight):
    """Four lines on which anything that can be missing or odd is so somewhere."""
    paths = [
        straight((0, 10 * k), bearing=50.0 * k, count=60, hookup=f"H{k}", source=k % 2)
        for k in range(4)
    ]
    scene = survey(*paths)
    rng = np.random.default_rng(7)
    count = len(scene.shots)

    def some(share):
        return np.flatnonzero(rng.random(count) < share)

    for name in ("depth", "east_sd", "up_sd", "correction_age", "antenna_height", "tilt", "speed"):
        scene = scene.having(some(0.1), **{name: np.nan})
    rows = some(0.3)
    scene = scene.having(rows, north_sd=rng.uniform(0.0, 0.05, len(rows)))
    rows = some(0.3)
    scene = scene.having(rows, fix=rng.integers(-1, 9, len(rows)))
    scene = scene.having(some(0.1), receiver="").having(some(0.1), hookup="")
    scene = scene.having(some(0.05), control="CP1").having(some(0.1), correction_age=40.0)
    scene.ground.convergence[:] = rng.uniform(-0.5, 0.5, count)
    scene.ground.height[some(0.02)] = np.nan
    scene.assembly.bearing[:] = rng.uniform(-7.0, 7.0, count)
    scene.assembly.bearing[some(0.1)] = np.nan
    return scene


def sums(terms, count):
    total = np.zeros((count, 4))
    for term in terms:
        for k, part in enumerate((term.east_east, term.north_north, term.east_north, term.up_up)):
            total[:, k] += part
    return total


def test_the_sums_are_those_of_the_terms(scene):
    budget = scene.budget()
    known = np.isfinite(budget.centre_height)
    for whole, terms in (
        (budget.total, budget.terms),
        (budget.own, [term for term in budget.terms if term.shared_by is None]),
    ):
        expected = sums(terms, len(whole))
        expected[~known, 3] = np.nan
        scale = np.abs(expected[:, :2]).max(axis=1, keepdims=True)
        np.testing.assert_allclose(whole[:, :3] / scale, expected[:, :3] / scale, atol=1e-14)
        np.testing.assert_allclose(whole[:, 3], expected[:, 3], rtol=1e-13)


def test_shared_terms_are_at_hand_without_making_the_others(scene):
    budget = scene.budget()
    assert "terms" not in vars(budget)
    shared = [term for term in budget.terms if term.shared_by is not None]
    assert [term.name for term in budget.shared] == [term.name for term in shared]
    for one, other in zip(budget.shared, shared, strict=True):
        np.testing.assert_array_equal(one.up_up, other.up_up)
        np.testing.assert_array_equal(one.shared_by, other.shared_by)


def test_regions_are_those_of_the_general_formulas(scene):
    # The loop takes the line's own direction where it can; NumPy the eigenvalues everywhere.
    budget = scene.budget()
    major, minor, bearing = principal_axes(*budget.total[:, :3].T)
    np.testing.assert_allclose(budget.ellipse[:, 0], 2.447746830680816 * major, rtol=1e-12)
    np.testing.assert_allclose(budget.ellipse[:, 1], 2.447746830680816 * minor, rtol=1e-12)
    np.testing.assert_allclose(
        budget.horizontal_95, major * circular_factor(minor / major), rtol=1e-12
    )
    round_ones = major - minor < 1e-9 * major
    turned = np.abs(budget.ellipse[:, 2] - bearing)[~round_ones]
    assert np.minimum(turned, np.pi - turned).max() < 1e-9
    assert (budget.ellipse[round_ones, 2] == 0.0).all()


@pytest.mark.parametrize("quarters", range(-5, 6))
@pytest.mark.parametrize("off", [-0.7, -1e-9, 0.0, 1e-9, 0.3, 0.785])
def test_shares_across_a_line_are_right_to_the_last_digits_in_every_quadrant(
    survey, straight, quarters, off
):
    scene = survey(straight(count=5))
    bearing = quarters * np.pi / 2 + off
    scene.assembly.bearing[:] = bearing
    term = next(term for term in scene.budget().terms if term.name == "pinpointing")
    across = np.array([np.cos(bearing) ** 2, np.sin(bearing) ** 2])
    size = term.east_east[0] + term.north_north[0]
    np.testing.assert_allclose([term.east_east[0], term.north_north[0]], across * size, atol=1e-18)
    assert term.east_north[0] == pytest.approx(-np.cos(bearing) * np.sin(bearing) * size, abs=1e-18)


def test_the_noise_of_depths_is_the_two_coil_methods(scene):
    term = next(term for term in scene.budget().terms if term.name == "depth-noise")
    read = np.isfinite(scene.shots.depth) & (scene.shots.control.codes < 0)
    expected = two_coil_depth_sd(scene.shots.depth[read], 0.4, 0.05, 0.01)
    np.testing.assert_allclose(np.sqrt(term.up_up[read]), expected, rtol=1e-14)


def test_terms_of_a_few_shots_are_those_of_all(scene):
    budget = scene.budget()
    rows = np.array([200, 3, 3, 17, 120])
    few = {term.name: term for term in budget.terms_of(rows)}
    for term in budget.terms:
        for name in ("east_east", "north_north", "east_north", "up_up", "shared_by"):
            part = getattr(term, name)
            if term.name not in few:
                assert not np.any(part[rows] if name != "shared_by" and part.ndim else 0.0)
            elif part is not None:
                expected = part[rows] if part.ndim else part
                np.testing.assert_array_equal(getattr(few[term.name], name), expected)


def test_a_swept_shot_has_its_sweeps_uncertainty_wherever_it_stands(scene):
    swept = [
        SweepCorrection(shot, 0, 0.1, 1.0, 1.1, 0.02 + shot / 1e4, 0.03, 1.0, True, "")
        for shot in (150, 7, 0)
    ]
    budget = error_budget(
        scene.shots,
        scene.ground,
        scene.assembly,
        scene.sources,
        scene.settings,
        load_profile(),
        swept,
    )
    sizes = {term.name: term.east_east + term.north_north for term in budget.terms}
    known = np.isfinite(scene.assembly.bearing)
    for item in swept:
        twice = 1.0 if known[item.shot] else 2.0
        assert sizes["sweep"][item.shot] == pytest.approx(twice * item.horizontal_sd**2)
        assert sizes["pinpointing"][item.shot] == sizes["neighbour-field"][item.shot] == 0.0
    assert np.count_nonzero(sizes["sweep"]) == 3


def test_a_budget_survives_being_kept(scene):
    budget = scene.budget()
    kept = pickle.loads(pickle.dumps(budget))
    for one, other in zip(budget.terms, kept.terms, strict=True):
        np.testing.assert_array_equal(one.up_up, other.up_up)
    np.testing.assert_array_equal(kept.covariance, budget.covariance)


def test_sizes_and_columns_have_names_of_their_own():
    assert len(set(SIZES)) == len(SIZES)
    assert len(set(COLUMNS)) == len(COLUMNS)
