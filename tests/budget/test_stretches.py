"""Stretches beside a second conductor, with readings from the physics of two long wires."""

import numpy as np
import pytest

from asfound.em import CrossSection, receiver_display

STRETCH = np.arange(16, 28)


def beside(scene, rows, *, share, offset=0.85, deep=1.1, seed=5, noise=0.01):
    """Readings over the line of a scene, a neighbour with a share of its current at some rows.

    The receiver's own display, noise of both coils carried through: depth by the two-coil
    formula's slope, the field by one coil.
    """
    rng = np.random.default_rng(seed)
    depth = scene.shots.depth.copy()
    count = len(depth)
    ratio = np.zeros(count)
    ratio[rows] = share
    section = CrossSection(
        np.stack([np.zeros(count), np.full(count, offset)], axis=1),
        np.stack([depth, np.full(count, deep)], axis=1),
        np.stack([np.ones(count), ratio], axis=1),
    )
    shown = receiver_display(section, reach=1.5 * depth)
    depth_noise = noise * shown.depth * (shown.depth + 0.4) / 0.4 * 1.4
    read = shown.depth + depth_noise * rng.standard_normal(count)
    field = 0.1 * shown.current / (shown.depth + 0.05)
    current = field * (read + 0.05) * (1 + noise * rng.standard_normal(count))
    apart = np.abs(shown.separation + 0.03 * rng.standard_normal(count))
    scene = scene.having(depth=read, current=current, peak_null_separation=apart)
    return scene.moved(slice(None), north=shown.peak + 0.02 * rng.standard_normal(count))


@pytest.fixture
def quiet(survey, straight):
    return survey(straight(count=45), noise=0.3)


@pytest.mark.parametrize("share", [0.35, 0.5, -0.35, -0.5])
@pytest.mark.parametrize("seed", range(5))
def test_a_neighbours_stretch_is_found_to_the_shot(quiet, speaks, share, seed):
    found = speaks(beside(quiet, STRETCH, share=share, seed=seed), "distorted-field", STRETCH)
    assert "12 shots" in found.detail[0]


@pytest.mark.parametrize("seed", range(20))
def test_without_a_neighbour_nothing_is_found(quiet, silent, seed):
    silent(beside(quiet, STRETCH, share=0.0, seed=seed), "distorted-field")


@pytest.mark.parametrize("seed", range(5))
def test_a_weak_neighbour_stays_within_the_budgets_allowance(quiet, silent, seed):
    silent(beside(quiet, STRETCH, share=0.05, seed=seed), "distorted-field")


@pytest.mark.parametrize("seed", range(5))
def test_currents_not_recorded_leave_depth_and_place_to_speak(quiet, seed):
    scene = beside(quiet, STRETCH, share=-0.6, noise=0.004, seed=seed).having(current=np.nan)
    outcomes = scene.findings().outcomes
    found = next(item for item in outcomes if item.rule.id == "distorted-field").index
    # Depth alone is too rough to tell the ends to the shot.
    assert len(np.intersect1d(found, STRETCH)) >= len(STRETCH) - 2
    assert len(np.setdiff1d(found, STRETCH)) <= 2


def test_a_line_that_runs_deeper_is_no_distortion(survey, straight, silent):
    # Field over a deeper line: weaker by the same factor, so the current reads as before.
    scene = survey(straight(count=45), noise=0.3)
    dip = np.zeros(45)
    dip[14:30] = 0.5
    scene = scene.having(depth=scene.shots.depth + dip)
    silent(beside(scene, STRETCH, share=0.0), "distorted-field")


def test_a_branch_that_takes_current_away_is_no_distortion(quiet, silent):
    # Current drops at a tee and stays down: a step without an opposite one.
    scene = beside(quiet, STRETCH, share=0.0)
    scene = scene.having(slice(20, None), current=scene.shots.current[20:] * 0.6)
    silent(scene, "distorted-field")


def test_two_stretches_on_one_line_are_both_found(survey, straight, speaks):
    scene = survey(straight(count=70), noise=0.3)
    rows = np.concatenate([np.arange(12, 22), np.arange(40, 52)])
    speaks(beside(scene, rows, share=0.5), "distorted-field", rows)


def test_a_single_odd_reading_is_no_stretch(quiet, silent):
    scene = beside(quiet, STRETCH, share=0.0)
    scene = scene.having([20], current=scene.shots.current[20] * 1.8)
    silent(scene, "distorted-field")


def test_a_mistyped_depth_inside_does_not_break_a_stretch(quiet):
    scene = beside(quiet, STRETCH, share=0.5)
    scene = scene.having([21], depth=scene.shots.depth[21] * 10)
    found = scene.findings()
    outcome = next(o for o in found.outcomes if o.rule.id == "distorted-field")
    assert set(STRETCH) - {21} <= set(outcome.index.tolist()) <= set(STRETCH)


def test_upload_and_hook_up_are_looked_at_apart(quiet, silent):
    # Another hook-up's current for the middle third is a change of hook-up, not of the field.
    scene = beside(quiet, STRETCH, share=0.0)
    scene = scene.having(slice(15, 30), hookup="H2", current=scene.shots.current[15:30] * 2)
    silent(scene, "distorted-field")


def test_no_depths_at_all_are_said(quiet, not_run):
    assert "depth" in not_run(quiet.having(depth=np.nan), "distorted-field")
