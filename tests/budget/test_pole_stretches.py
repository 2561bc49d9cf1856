"""Stretches and visits with the wrong pole, on sloping ground with kerbs and other lines."""

import numpy as np
import pytest

from asfound.model import Severity, Utility

ODD = np.arange(14, 28)


def street(survey, straight, *, lines=3, count=41, seed=1, apart=3.0):
    """Parallel lines, one crossing them all, on ground with a cross slope and a long wave."""
    paths = [
        straight((0, apart * k), count=count, utility=Utility(1 + k), hookup=f"H{k}")
        for k in range(lines)
    ]
    crossing = straight((60.5, -15), bearing=0.0, count=15, utility=Utility.SEWER, hookup="X")
    scene = survey(*paths, crossing, seed=seed)
    east, north = scene.ground.easting, scene.ground.northing
    scene.ground.height[:] += 0.02 * north + 0.1 * np.sin(east / 15.0)
    return scene


@pytest.mark.parametrize("size", [-0.45, -0.3, 0.3, 0.45])
@pytest.mark.parametrize("seed", range(4))
def test_the_stretch_is_found_to_the_shot(survey, straight, speaks, size, seed):
    scene = street(survey, straight, seed=seed).moved(ODD, up=size)
    found = speaks(scene, "antenna-height-jump", ODD)
    assert "nearby" in found.detail[0]
    said = float(found.detail[0].split("probably ")[1].split(" m")[0])
    assert said == pytest.approx(1.8 + size, abs=0.05)


@pytest.mark.parametrize("seed", range(15))
def test_sound_poles_are_left_alone(survey, straight, silent, seed):
    silent(street(survey, straight, seed=seed), "antenna-height-jump")


@pytest.mark.parametrize("kerb", [0.15, 0.2])
def test_a_traffic_island_is_no_pole(survey, straight, silent, kerb):
    # Kerbs of 15 cm and more are common: up and down again, on every line alike.
    scene = street(survey, straight)
    island = (scene.ground.easting > 40) & (scene.ground.easting < 75)
    silent(scene.moved(island, up=kerb), "antenna-height-jump")


def test_a_retaining_wall_along_the_street_is_no_pole(survey, straight, silent):
    scene = street(survey, straight)
    silent(scene.moved(scene.ground.easting > 50, up=0.6), "antenna-height-jump")


def test_a_step_at_the_lines_end_needs_ground_nearby_to_speak(survey, straight, speaks, silent):
    tail = np.arange(30, 41)
    speaks(street(survey, straight, apart=1.0).moved(tail, up=0.4), "antenna-height-jump", tail)
    alone = survey(straight(count=41))
    silent(alone.moved(tail, up=0.4), "antenna-height-jump")


def test_a_lone_lines_stretch_must_be_larger_than_a_kerb(survey, straight, speaks, silent):
    scene = survey(straight(count=41))
    speaks(scene.moved(ODD, up=0.35), "antenna-height-jump", ODD)
    silent(scene.moved(ODD, up=0.18), "antenna-height-jump")


def test_a_whole_visit_is_told_by_lines_that_cross_it(survey, straight, speaks):
    # The crossing line shares ground with three others: 1 m grid lines on either side of it.
    scene = street(survey, straight)
    crossing = np.arange(3 * 41, len(scene.shots))
    found = speaks(scene.moved(crossing, up=-0.4), "antenna-height-jump", crossing)
    assert "too low" in found.detail[0]


def test_two_visits_that_disagree_convict_neither(survey, straight, silent):
    scene = street(survey, straight, lines=1)
    silent(scene.moved(np.arange(41), up=0.4), "antenna-height-jump")


def test_float_solutions_take_no_part(survey, straight, silent):
    scene = street(survey, straight).moved(ODD, up=0.4)
    silent(scene.having(ODD, fix=5), "antenna-height-jump")


def test_a_height_in_feet_is_recognised(survey, straight, speaks):
    scene = street(survey, straight).having([3], antenna_height=5.906)
    found = speaks(scene, "antenna-height-jump", [3], Severity.FAIL)
    assert "1.80 m" in found.detail[0]


def test_findings_that_follow_are_not_repeated(survey, straight):
    scene = street(survey, straight).moved(ODD, up=0.45)
    names = {
        outcome.rule.id
        for outcome in scene.findings().outcomes
        if np.isin(outcome.index, ODD).any() and outcome.rule.subject == "shot"
    }
    assert "antenna-height-jump" in names
    assert "depth-neighbours" not in names


def test_a_change_that_was_only_entered_is_said_to_be_one(survey, straight, speaks):
    # Entered 0.35 m more than the pole had: the ground comes out 0.35 m too low.
    scene = street(survey, straight).having(ODD, antenna_height=2.15).moved(ODD, up=-0.35)
    found = speaks(scene, "antenna-height-jump", ODD)
    assert "1.80 m was entered elsewhere" in found.detail[0]
