"""Whole answers: what is said of digs near lines, of records, of exposures."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

from asfound.alignment import joint_covariance
from asfound.clearance import (
    advise_exposures,
    apply_exposures,
    check_digs,
    jurisdiction_rules,
    preset_rules,
    refits_of,
    required_rules,
    rules_for,
    rules_from_toml,
)
from asfound.errors import InputError, SettingsError
from asfound.model import (
    CAUTIONS,
    Bore,
    CandidateExposure,
    ClearanceRule,
    Exposure,
    Pit,
    Post,
    RecordLine,
    Trench,
    Utility,
    Verdict,
)

NAN = float("nan")


@pytest.fixture(scope="module")
def job(street):
    """Two level gas lines, 98.8 and 98.5 m high, 3 m apart, on one hook-up; ground at 100 m."""
    paths = [
        street.straight((0.0, 0.0), 0.0, 60.0, 98.8),
        street.straight((3.0, 0.0), 0.0, 60.0, 98.5),
    ]
    return street.results(paths, scale=0.06, level=0.05, hookups=[0, 0])


def trench_across(street, depth=0.9, north=30.0, **changes):
    return Trench(
        "T", street.east + np.array([-2.0, 6.0]), street.north + np.full(2, north),
        np.array([0.6]), np.array([depth]), np.array([NAN]), **changes,
    )  # fmt: skip


def test_a_trench_over_a_line_is_answered_with_all_that_a_table_needs(job, street):
    (answer,) = check_digs(job, [trench_across(street)])
    assert answer.cautions == CAUTIONS
    first, second = (next(a for a in answer.approaches if a.line_index == k) for k in (0, 1))
    # bottom at 99.1, centre of the line at 98.8, outside diameter 0.1: 0.25 m between surfaces
    assert first.clearance == pytest.approx(0.25, abs=0.005)
    assert first.vertical == pytest.approx(0.25, abs=0.005)
    assert first.horizontal == pytest.approx(0.0, abs=0.01)
    assert first.crosses
    assert first.line_below
    assert first.dig_station == pytest.approx(2.0, abs=0.05)
    assert first.line_station == pytest.approx(30.0, abs=0.5)
    assert first.diameter_basis == "known"
    assert first.depth_basis == "located"
    assert second.clearance == pytest.approx(0.55, abs=0.005)
    low, middle, high = first.clearance_range
    assert low < middle < high
    assert first.p_contact < first.p_breach
    assert first.rule.id == "tolerance-18"
    assert {r.rule.id for r in first.rules} == {"tolerance-18", "gas-12"}
    assert answer.approaches[0].risk >= answer.approaches[-1].risk


def test_shared_errors_do_not_average_out_along_the_line(job, street):
    (answer,) = check_digs(job, [trench_across(street)])
    # 60 mm of hook-up scale and 50 mm of the dig, at the least
    assert answer.approaches[0].clearance_sd > np.hypot(0.06, 0.05)


def test_a_bore_tells_its_pilot_from_its_reaming(job, street):
    bore = Bore(
        "B", street.east + np.array([-10.0, 10.0]), street.north + np.array([30.0, 30.0]),
        np.array([NAN]), np.array([99.15, 99.15]), 0.1, 0.5,
    )  # fmt: skip
    (answer,) = check_digs(job, [bore])
    first = next(a for a in answer.approaches if a.line_index == 0)
    assert 0.0 < first.p_contact_pilot < first.p_contact
    assert first.clearance == pytest.approx(0.35 - 0.05 - 0.25, abs=0.005)


def test_nothing_ever_says_safe_and_every_rule_names_its_source(job, street):
    answers = check_digs(
        job, [trench_across(street), Post("q", street.east + 30, street.north, 0.3, 1.0)]
    )
    advice = advise_exposures(job, [trench_across(street)], 2)
    words = [w for a in answers for w in (*a.words, *a.cautions)]
    words += [w for a in answers for b in a.approaches for w in b.words]
    words += list(advice.words + advice.cautions)
    assert words
    for word in words:
        assert "safe" not in word.lower()
    for rule in preset_rules():
        assert rule.citation
        assert rule.from_memory or rule.read is not None


def test_no_line_is_only_said_where_it_was_searched(job, street):
    far = Post("q", street.east + 30.0, street.north + 30.0, 0.3, 1.0)
    here = shapely.Point(street.east + 30.0, street.north + 30.0)
    (unknown,) = check_digs(job, [far])
    (whole,) = check_digs(job, [far], searched=here.buffer(5.0))
    (half,) = check_digs(
        job,
        [far],
        searched=shapely.box(street.east + 30, street.north, street.east + 40, street.north + 60),
    )
    assert not unknown.approaches
    assert np.isnan(unknown.searched)
    assert "not recorded" in unknown.words[0]
    assert whole.searched == pytest.approx(1.0)
    assert "may still lie there" in whole.words[0]
    assert half.searched == pytest.approx(0.5, abs=0.01)
    assert "50 %" in half.words[0]


def test_a_line_from_records_is_labelled_and_its_depth_assumed_by_utility(job, street):
    record = RecordLine(
        "R", Utility.WATER, street.east + np.array([20.0, 20.0]),
        street.north + np.array([0.0, 60.0]), np.array([NAN]),
    )  # fmt: skip
    dig = Post("q", street.east + 20.3, street.north + 30.0, 0.4, 1.5)
    (answer,) = check_digs(job, [dig], records=[record])
    (line,) = answer.approaches
    assert line.source == "records"
    assert line.depth_basis == "assumed"
    assert line.diameter_basis == "assumed"
    assert line.line_index == len(job.lines)
    assert any("records only" in word for word in line.words)
    # a metre of doubt in plan, 0.6 m wide in all: a normal band, about one in four
    assert 0.1 < line.p_contact < 0.4


def test_located_lines_without_depths_take_the_depth_of_their_kind(street):
    results = street.results([street.straight((0.0, 0.0), 0.0, 40.0, 98.8)])
    shallow = replace(
        results,
        lines=tuple(
            replace(line, height=np.full(len(line.height), NAN), outside_diameter=NAN)
            for line in results.lines
        ),
    )
    (answer,) = check_digs(shallow, [trench_across(street, depth=0.5, north=20.0)])
    (line,) = answer.approaches
    assert line.depth_basis == "assumed"
    assert line.clearance_sd > 0.2
    assert any("depth is not known" in word for word in line.words)


def exposure(street, line="L0", up=0.0, east=0.0, north=30.0, **changes):
    """The line's true top at 98.85 m, found `up` higher."""
    return Exposure(
        "X", line, street.east + east, street.north + north, 100.0 - (98.85 + up),
        ground_height=100.0, outside_diameter=0.1, **changes,
    )  # fmt: skip


def test_an_exposure_settles_its_line_and_teaches_the_others_of_the_hookup(job, street):
    found = exposure(street, job.lines[0].name, up=0.08)
    update = apply_exposures(job, [found])
    (comparison,) = update.comparisons
    assert comparison.up == pytest.approx(0.08, abs=1e-6)
    assert comparison.em_depth_error == pytest.approx(0.08, abs=1e-6)
    assert not comparison.contradicted
    own, other = update.lines
    at = np.argmin(np.abs(own.axis_station - 30.0))
    assert own.height[at] == pytest.approx(98.88, abs=0.02)
    assert np.sqrt(own.covariance[at, 2, 2]) < 0.025
    assert 98.5 < other.height[at] < 98.58
    assert other.covariance[at, 2, 2] < job.lines[1].covariance[at, 2, 2]
    (bias,) = update.shared
    assert bias.term == "depth-scale"
    assert 0.0 < bias.up < 0.08
    assert bias.up_sd < bias.size == pytest.approx(0.06, abs=1e-6)


def test_lines_after_exposures_are_what_dense_gaussian_algebra_says(job, street):
    """The whole way: both lines' joint posterior, conditioned by matrices of its own."""
    found = [
        exposure(street, job.lines[0].name, up=0.06, east=0.02),
        exposure(street, job.lines[0].name, up=0.05, north=44.0, vertical_sd=0.03),
    ]
    update = apply_exposures(job, found)
    refits, spots = refits_of(job), np.array([c.station for c in update.comparisons])
    at = [line.axis_station for line in job.lines]
    posteriors = [refits[0].at(np.concatenate((at[0], spots))), refits[1].at(at[1])]
    sizes = [3 * len(p.station) for p in posteriors]
    full = np.zeros((sum(sizes), sum(sizes)))
    full[: sizes[0], : sizes[0]] = joint_covariance(posteriors[0])
    full[sizes[0] :, sizes[0] :] = joint_covariance(posteriors[1])
    # one hook-up: the depth scale is one number for both lines
    lift = [np.zeros(size) for size in sizes]
    for k, posterior in enumerate(posteriors):
        (scale,) = [s for s in posterior.shared if s.term == "depth-scale"]
        lift[k][2::3] = scale.shift[:, 2]
    full[: sizes[0], sizes[0] :] = np.outer(lift[0], lift[1])
    full[sizes[0] :, : sizes[0]] = full[: sizes[0], sizes[0] :].T
    look, value, noise = np.zeros((4, len(full))), np.zeros(4), np.zeros(4)
    for j, one in enumerate(found):
        k = int(np.searchsorted(at[0], spots[j], side="right")) - 1
        run = job.lines[0].easting[k + 1] - job.lines[0].easting[k]
        rise = job.lines[0].northing[k + 1] - job.lines[0].northing[k]
        left = np.array([-rise, run]) / np.hypot(run, rise)
        base = 3 * (len(at[0]) + j)
        look[2 * j, base : base + 2] = left
        look[2 * j + 1, base + 2] = 1.0
        value[2 * j] = left @ [one.easting, one.northing]
        value[2 * j + 1] = one.ground_height - one.top_depth - 0.5 * one.outside_diameter
        noise[2 * j : 2 * j + 2] = one.horizontal_sd**2, one.vertical_sd**2
    prior = np.concatenate([p.mean.ravel() for p in posteriors])
    gain = full @ look.T @ np.linalg.inv(look @ full @ look.T + np.diag(noise))
    expected = prior + gain @ (value - look @ prior)
    after = full - gain @ look @ full
    for k, start in ((0, 0), (1, sizes[0])):
        rows = slice(start, start + 3 * len(at[k]))
        place, line = expected[rows].reshape(-1, 3), update.lines[k]
        assert line.height == pytest.approx(place[:, 2], abs=1e-8)
        assert line.easting - street.east == pytest.approx(place[:, 0] - street.east, abs=1e-8)
        blocks = after[rows, rows].reshape(len(at[k]), 3, len(at[k]), 3)
        own = np.array([blocks[i, :, i] for i in range(len(at[k]))])
        assert line.covariance == pytest.approx(own, abs=1e-8)


def test_probabilities_follow_an_exposure_in_the_right_direction(job, street):
    trench = trench_across(street, depth=1.0)

    def contact(*exposures):
        (answer,) = check_digs(job, [trench], exposures=exposures)
        return {a.line_index: a.p_contact for a in answer.approaches}

    name = job.lines[0].name
    before = contact()
    higher, lower = (
        contact(exposure(street, name, up=0.1)),
        contact(exposure(street, name, up=-0.1)),
    )
    assert lower[0] < before[0] < higher[0]
    assert lower[1] < before[1] < higher[1]


def test_a_contradicted_line_is_flagged_and_its_shots_are_doubtful(job, street):
    name = job.lines[0].name
    update = apply_exposures(job, [exposure(street, name, up=0.6)])
    (comparison,) = update.comparisons
    assert comparison.contradicted
    assert "contradicts" in comparison.words
    assert update.line_verdict.tolist() == [Verdict.DOUBTFUL, Verdict.SOUND]
    close = np.abs(job.lines[0].station - 30.0) <= 10.0
    assert np.all(update.verdict[job.lines[0].shots[close]] == Verdict.DOUBTFUL)
    assert update.lines[1].height == pytest.approx(job.lines[1].height, abs=1e-9)


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"line": "nobody"}, "no line 'nobody'"),
        ({"east": 200.0}, "m from line"),
        ({"vertical_sd": 0.0}, "uncertainty"),
        ({"up": 2.0}, "can't be"),
    ],
)
def test_an_exposure_that_can_not_be_is_refused(job, street, changes, what):
    changes.setdefault("line", job.lines[0].name)
    with pytest.raises(InputError, match=what) as caught:
        apply_exposures(job, [exposure(street, **changes)])
    assert caught.value.remedy


def test_digs_of_another_frame_are_refused(job, street):
    dig = replace(
        trench_across(street),
        northing=np.array([0.0, 0.0]),
        depth=np.array([NAN]),
        elevation=np.array([99.0]),
    )
    with pytest.raises(InputError, match="km from the job") as caught:
        check_digs(job, [dig])
    assert "frame" in caught.value.remedy


def test_advice_names_the_line_that_decides_and_keeps_off_forbidden_ground(job, street):
    digs = [
        trench_across(street, depth=1.05),
        Pit(
            "P",
            street.east + np.array([-1.0, 0.0, 0.0, -1.0]),
            street.north + np.array([40.0, 40.0, 41.0, 41.0]),
            0.4,
        ),
    ]
    free = advise_exposures(job, digs, 3)
    assert free.chosen[0].line_index == 0
    assert abs(free.chosen[0].station - 30.0) < 6.0
    assert np.all(np.diff(np.concatenate(([free.risk_before], free.risk_after))) <= 1e-12)
    assert free.reduction.sum() <= free.ceiling + 1e-9 <= free.risk_before + 1e-9
    road = shapely.box(
        street.east - 1.0, street.north + 26.0, street.east + 1.0, street.north + 34.0
    )
    kept = advise_exposures(job, digs, 1, forbidden=road)
    assert not shapely.intersects_xy(road, kept.chosen[0].easting, kept.chosen[0].northing)
    assert kept.reduction[0] <= free.reduction[0]


def test_advice_weighs_the_cost_of_a_hole(job, street):
    digs = [trench_across(street, depth=1.05)]
    places = [
        CandidateExposure(0, job.lines[0].name, s, street.east, street.north + s)
        for s in (26.0, 30.0)
    ]
    cheap = advise_exposures(job, digs, 1, candidates=places)
    assert cheap.chosen[0].station == 30.0
    dear = advise_exposures(
        job, digs, 1, candidates=places, cost=lambda p: 100.0 if p.station == 30.0 else 1.0
    )
    assert dear.chosen[0].station == 26.0
    with pytest.raises(InputError, match="costs"):
        advise_exposures(job, digs, 1, candidates=places, cost=lambda p: 0.0)


def test_a_firms_rules_take_the_place_of_presets():
    firm = """
    [[rule]]
    id = "gas-12"
    title = "our own"
    shape = "distance"
    distance = 0.5
    near = ["gas"]
    citation = "firm's manual"
    """
    rules = {rule.id: rule for rule in required_rules(firm=firm)}
    assert rules["gas-12"].distance == 0.5
    assert rules["tolerance-18"].horizontal == pytest.approx(0.4572)


def test_presets_have_the_figures_of_their_sources():
    rules = {rule.id: rule for rule in preset_rules()}
    # CGA Best Practices 5.19: 18 in; California Government Code 4216(a): 24 in
    assert rules["tolerance-18"].horizontal == pytest.approx(18 * 0.0254)
    assert rules["tolerance-24"].horizontal == pytest.approx(24 * 0.0254)
    # 49 CFR 192.325(a): 12 inches (305 millimeters)
    for name in ("gas-12", "gas-install-12"):
        assert rules[name].distance == pytest.approx(0.305, abs=5e-4)
    # Ohio Administrative Code 4781-12-13(A): ten feet, eighteen inches
    assert rules["water-sewer"].horizontal == pytest.approx(10 * 0.3048)
    assert rules["water-sewer"].vertical == pytest.approx(18 * 0.0254)
    assert [rule.id for rule in preset_rules() if rule.from_memory] == ["electric-12"]


@pytest.mark.parametrize("code", ["US", "US-CA", "US-CO", "US-FL", "US-MS", "US-SC"])
def test_a_jurisdiction_names_presets_that_are_there(code):
    assert len(required_rules(jurisdiction_rules(code))) == 5


def test_water_and_sewer_keep_apart_both_ways(job, street):
    laying = trench_across(street, installs=Utility.SEWER)
    plain = trench_across(street)
    rules = required_rules()
    assert "water-sewer" in {r.id for r in rules_for(rules, Utility.WATER, laying)}
    assert "water-sewer" not in {r.id for r in rules_for(rules, Utility.GAS, laying)}
    assert "water-sewer" not in {r.id for r in rules_for(rules, Utility.WATER, plain)}


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("[[rule]", "no TOML"),
        ("other = 1", "unknown entries"),
        ('[[rule]]\nid = "a"\ntitle = "a"\nshape = "round"', "no shape"),
        ('[[rule]]\nid = "a"\ntitle = "a"\nshape = "zone"', "needs horizontal"),
        ('[[rule]]\nid = "a"\ntitle = "a"\nshape = "zone"\nhorizontal = -1', "horizontal is -1"),
        ('[[rule]]\nid = "a"\ntitle = "a"\nshape = "zone"\nhorizontal = "far"', "not a length"),
        (
            '[[rule]]\nid = "a"\ntitle = "a"\nshape = "zone"\nhorizontal = 1\nnear = ["tea"]',
            "'tea'",
        ),
        ('[[rule]]\nid = "a"\ncolour = "red"', "unknown: colour"),
    ],
)
def test_rules_that_can_not_be_used_are_refused_with_a_remedy(text, what):
    with pytest.raises(SettingsError, match=what) as caught:
        rules_from_toml(text, where="firm.toml")
    assert caught.value.remedy
    assert "firm.toml" in caught.value.where


def test_a_preset_that_does_not_exist_is_refused():
    with pytest.raises(SettingsError, match="no required clearance 'moon'"):
        required_rules(["moon"])


def test_no_rules_means_no_breach_is_claimed(job, street):
    (answer,) = check_digs(job, [trench_across(street)], rules=())
    assert answer.approaches[0].rule is None
    assert np.isnan(answer.approaches[0].p_breach)


def test_the_same_question_gets_the_same_answer(job, street):
    rule = ClearanceRule("own", "own", "distance", distance=0.3)
    one = check_digs(job, [trench_across(street)], rules=[rule])
    two = check_digs(job, [trench_across(street)], rules=[rule])
    assert [a.p_contact for a in one[0].approaches] == [a.p_contact for a in two[0].approaches]
