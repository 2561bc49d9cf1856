"""The demonstration's digs: what each is, by the street's truth, and what asfound says of it."""

import numpy as np
import pytest
import shapely

from asfound.demo import generate
from asfound.demo.digs import CLOSE, CONFLICT, EXPOSED
from asfound.folder import read_dig_plan, run_job
from asfound.folder.demonstration import build_demo
from asfound.model import Post

ZONE = 18 * 0.0254  # tolerance zone of 18 inches: Common Ground Alliance, Best Practices 5.19


@pytest.fixture(scope="module", params=[7, 11])
def job(request, tmp_path_factory):
    seed = request.param
    folder = build_demo(tmp_path_factory.mktemp("job") / "street", seed)
    return run_job(folder.path), generate(seed).truth


def found(results, name):
    return next(item for item in results.digs.digs if item.dig.name == name)


def near(results, name, line):
    return next(one for one in found(results, name).approaches if one.line == line)


def true_gap(truth, dig, line):
    """Between the outside of a post and of the true line, in plan [m]."""
    true = next(one for one in truth.lines if one.name == line)
    path = shapely.LineString(np.column_stack((true.path.easting, true.path.northing)))
    distance = path.distance(shapely.Point(dig.easting, dig.northing))
    return distance - 0.5 * (dig.diameter + true.outside_diameter)


def test_there_are_a_trench_a_bore_and_six_posts_marked_invented(tmp_path):
    folder = build_demo(tmp_path / "street", 7)
    plan = read_dig_plan(folder)
    assert [dig.kind for dig in plan.digs] == ["trench", "bore", *["post"] * 6]
    assert len(plan.exposures) == 1
    assert len(plan.records) == 1
    assert "Invented" in (folder.path / "digs.toml").read_text()
    assert "invented" in plan.records[0].basis
    assert all("invented" in area.basis for area in plan.searched)


def test_one_post_hits_the_true_cable_one_is_close_the_others_keep_off(job):
    results, truth = job
    for item in results.digs.digs:
        if not isinstance(item.dig, Post):
            continue
        gap = true_gap(truth, item.dig, "telecom cable")
        said = near(results, item.dig.name, "C1")
        if item.dig.name == CONFLICT:
            assert gap < 0
            assert said.p_contact > 0.5
        elif item.dig.name in CLOSE:
            assert 0.05 < gap < ZONE
            assert said.p_contact < 0.2
            assert said.p_breach > 0.9
        else:
            assert gap > ZONE
            assert said.p_contact < 0.01
            assert said.p_breach < 0.3


def test_the_trench_passes_close_over_the_water_main(job):
    results, _ = job
    said = near(results, "T1", "W1")
    assert said.crosses
    assert said.line_below
    # 0.30 m by the truth; as located within four of its standard deviations
    assert abs(said.clearance - 0.30) < 4 * said.clearance_sd
    assert 0 < said.p_contact < 0.5


def test_the_exposure_changes_the_answer_for_the_bore(job):
    results, _ = job
    place = [item.dig.name for item in results.digs.digs].index(EXPOSED)
    before = next(
        one for one in results.digs.without_exposures[place].approaches if one.line == "S1"
    )
    after = near(results, EXPOSED, "S1")
    assert after.clearance_sd < 0.75 * before.clearance_sd
    assert abs(after.p_contact - before.p_contact) > 0.5 * before.p_contact
    # 0.14 m by the truth, from which the hole was made
    assert after.clearance == pytest.approx(0.14, abs=0.04)


def test_at_the_usual_seed_it_settles_what_was_open(tmp_path):
    results = run_job(build_demo(tmp_path / "street", 7).path)
    (k,) = results.digs.without_exposures.keys() & {1}
    before = next(one for one in results.digs.without_exposures[k].approaches if one.line == "S1")
    after = near(results, EXPOSED, "S1")
    assert before.p_contact > 0.03
    assert after.p_contact < 0.001


def test_only_where_it_was_searched_does_nothing_found_say_much(job):
    results, _ = job
    assert found(results, "P1").searched > 0.99
    assert found(results, "T1").searched < 0.01
    assert "searched" in " ".join(found(results, "T1").words)
