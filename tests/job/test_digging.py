"""Exposures and digs in the main job: nothing is learnt twice, and contradictions are said."""

from dataclasses import replace

import numpy as np
import pytest

from asfound.clearance import apply_exposures, check_digs, surface_from_points
from asfound.errors import InputError
from asfound.folder import read_dig_plan, read_intake, read_settings
from asfound.folder.demonstration import build_demo
from asfound.job import process
from asfound.job.digging import as_located, check_plan, ground_surface
from asfound.model import Area, Plan, Post, RecordLine, Utility, Verdict


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    folder = build_demo(tmp_path_factory.mktemp("job") / "street", 7)
    return read_intake(folder), read_settings(folder), read_dig_plan(folder)


@pytest.fixture(scope="module")
def results(job):
    return process(*job)


@pytest.fixture(scope="module")
def located(job):
    return process(job[0], job[1])


def without_digs(plan, **changes):
    return replace(plan, digs=(), **changes)


def test_a_job_without_a_plan_has_neither(located):
    assert located.digs is None
    assert located.exposed is None


def test_digs_are_checked_against_lines_and_exposures_together(results, located):
    plan = results.plan
    fresh = check_digs(
        located, plan.digs, exposures=plan.exposures, records=plan.records, rules=results.digs.rules
    )
    for ours, theirs in zip(results.digs.digs, fresh, strict=True):
        assert ours.dig is theirs.dig
        for one, other in zip(ours.approaches, theirs.approaches, strict=True):
            assert one.line == other.line
            assert one.clearance == other.clearance
            assert one.p_contact == other.p_contact


def test_checking_digs_of_finished_results_learns_nothing_twice(results):
    again = check_plan(results, results.plan.digs[:2])
    for ours, theirs in zip(results.digs.digs, again.digs, strict=False):
        for one, other in zip(ours.approaches, theirs.approaches, strict=True):
            assert one.clearance == other.clearance
            assert one.clearance_sd == other.clearance_sd
    assert as_located(as_located(results)).exposed is None


def test_lines_verdicts_and_crossings_are_those_after_exposures(results, located):
    update = apply_exposures(located, results.plan.exposures)
    for line, expected, before in zip(results.lines, update.lines, located.lines, strict=True):
        assert np.array_equal(line.height, expected.height)
        if line.name == "S1":
            assert not np.array_equal(line.height, before.height)
            assert line.outside_diameter == pytest.approx(0.1683, abs=2e-4)
    back = as_located(results)
    for line, before in zip(back.lines, located.lines, strict=True):
        assert np.array_equal(line.height, before.height)
        assert np.array_equal(line.covariance, before.covariance)
    with_s1 = [k for k, c in enumerate(results.crossings) if 5 in (c.line_a, c.line_b)]
    assert with_s1
    for k in with_s1:
        assert results.crossings[k].separation != located.crossings[k].separation


def test_a_contradicted_line_is_a_finding_with_a_remedy(job):
    plan = without_digs(job[2])
    wrong = replace(plan.exposures[0], top_depth=plan.exposures[0].top_depth + 1.0)
    results = process(job[0], job[1], replace(plan, exposures=(wrong,)))
    names = [line.name for line in results.lines]
    (found,) = (f for f in results.findings if f.rule.id == "exposure-contradicts")
    assert names[found.index] == "S1"
    assert found.rule.remedy
    assert results.line_verdict[found.index] >= Verdict.DOUBTFUL
    assert results.exposed.comparisons[0].contradicted


def test_an_exposure_that_cannot_be_put_on_a_line_leaves_the_others_be(job, results):
    plan = without_digs(job[2])
    lost = replace(plan.exposures[0], name="X2", line="Q7")
    found = process(job[0], job[1], replace(plan, exposures=(*plan.exposures, lost)))
    assert [item.exposure.name for item in found.exposed.comparisons] == ["X1"]
    (said,) = (f for f in found.findings if f.rule.id == "exposure-unplaced")
    assert "X2" in said.detail
    assert "Q7" in said.detail
    for line, expected in zip(found.lines, results.lines, strict=True):
        assert np.array_equal(line.height, expected.height)


def test_an_exposed_line_from_records_is_compared(job):
    plan = without_digs(job[2])
    record = plan.records[0]
    seen = replace(
        plan.exposures[0],
        name="X3",
        line=record.name,
        easting=float(record.easting.mean()) + 0.4,
        northing=float(record.northing.mean()),
        top_depth=0.7,
        ground_height=float("nan"),
    )
    found = process(job[0], job[1], replace(plan, exposures=(seen,)))
    (comparison,) = found.exposed.comparisons
    assert comparison.line_index == len(found.lines)
    assert not any(f.rule.id == "exposure-contradicts" for f in found.findings)


def test_a_dig_that_cannot_be_says_why(job):
    post = Post("P", 396_600.0, 104_220.0, -0.3, 1.0)
    with pytest.raises(InputError, match="diameter"):
        process(job[0], job[1], Plan(digs=(post,)))


def test_terrain_takes_the_place_of_the_shots_ground(job, located):
    ground = located.ground
    flat = np.column_stack((ground.easting, ground.northing, np.full(len(ground), 400.0)))
    terrain = surface_from_points(flat[np.isfinite(flat).all(axis=1)], "a flat field")
    plan = Plan(terrain=terrain)
    results = replace(located, plan=plan)
    assert ground_surface(results) is terrain
    post = next(dig for dig in job[2].digs if dig.kind == "post")
    report = check_plan(results, [post])
    assert report.ground == "a flat field"
    # the bottom lies at the flat height less its depth, far from the lines 4 m higher up
    near = report.digs[0].approaches[0]
    assert near.dig_point[2] <= 400.0 or near.line_point[2] > 400.0


def test_no_line_located_here_needs_a_searched_place(job, located):
    ground = located.ground
    east, north = np.nanmax(ground.easting) + 15.0, np.nanmax(ground.northing) - 5.0
    post = Post("far", float(east), float(north), 0.3, 1.0)
    corners = np.array([[-2.0, -2.0], [2.0, -2.0], [2.0, 2.0], [-2.0, 2.0]]) + np.array(
        [east, north]
    )
    swept = Area(corners[:, 0], corners[:, 1], "a sweep")
    bare = check_plan(replace(located, plan=Plan(holes=0)), [post])
    assert "says little" in bare.digs[0].words[0]
    assert bare.searched == ()
    covered = check_plan(replace(located, plan=Plan(holes=0, searched=(swept,))), [post])
    assert "where it was searched" in covered.digs[0].words[0]
    assert covered.digs[0].searched == pytest.approx(1.0)
    assert covered.searched == ("a sweep",)


def test_holes_are_not_advised_where_none_can_be_made(results):
    plan = results.plan
    first = results.digs.advice.chosen[0]
    corners = np.array([[-9.0, -9.0], [9.0, -9.0], [9.0, 9.0], [-9.0, 9.0]])
    corners = corners + np.array([first.easting, first.northing])
    house = Area(corners[:, 0], corners[:, 1], "house", float("inf"))
    barred = replace(plan, hole_areas=(*plan.hole_areas, house))
    chosen = check_plan(replace(results, plan=barred), plan.digs[:1]).advice.chosen
    for place in chosen:
        assert max(abs(place.easting - first.easting), abs(place.northing - first.northing)) > 9.0


def test_a_dear_hole_costs_what_its_area_says(results):
    chosen = results.digs.advice.chosen
    assert {place.cost for place in chosen} <= {1.0, 3.0}
    dear = replace(results.plan, hole_areas=(), hole_cost=2.5)
    again = check_plan(replace(results, plan=dear), dear.digs[:1]).advice.chosen
    assert {place.cost for place in again} == {2.5}


def test_a_line_from_records_is_told_from_a_located_one(results):
    record = results.plan.records[0]
    assert isinstance(record, RecordLine)
    assert record.utility is Utility.COMMUNICATION
    trench = next(item for item in results.digs.digs if item.dig.name == "T1")
    near = next(one for one in trench.approaches if one.line == record.name)
    assert near.source == "records"
    assert near.depth_basis == "assumed"
    assert near.clearance_sd > 0.5
