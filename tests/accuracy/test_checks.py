import numpy as np
import pytest

from asfound.accuracy import control_checks, judge_budget, repeat_checks, statements
from asfound.errors import InputError
from asfound.model import Budget, BudgetTerm, ControlPoint, Ground, Shots

CONTROL = (
    ControlPoint("CP1", 1000.0, 2000.0, 30.0, 0.004, 0.006),
    ControlPoint("CP2", 1100.0, 2050.0, 31.0, 0.004, 0.006),
)


def ground_at(position):
    position = np.asarray(position, float)
    nothing = np.zeros(len(position))
    return Ground(
        *position.T,
        longitude=nothing,
        latitude=nothing,
        ellipsoidal_height=nothing,
        convergence=nothing,
        combined_factor=nothing + 1.0,
        epoch=nothing,
        operation=np.zeros(len(position), np.int16),
        operations=(),
        unit_metres=1.0,
        vertical_reference="",
    )


def budget_of(count, own=0.01, shared=0.0, groups=None):
    """Independent errors, and shared ones by group; heights twice as bad."""
    groups = np.zeros(count, np.int32) if groups is None else np.asarray(groups, np.int32)
    zero, terms = np.array(0.0), []
    for name, sd, code in (("gnss", own, None), ("service", shared, groups)):
        square = np.array(sd * sd)
        terms.append(BudgetTerm(name, name, "", square, square, zero, 4 * square, code))
    covariance = np.broadcast_to(
        np.diag([1.0, 1.0, 4.0]) * (own**2 + shared**2), (count, 3, 3)
    ).copy()
    nothing = np.full(count, np.nan)
    return Budget.of(
        tuple(terms),
        covariance,
        covariance,
        nothing,
        nothing,
        nothing,
        np.full((count, 3), np.nan),
        nothing,
    )


def shots_on(names):
    count = len(names)
    return Shots.build(np.zeros(count), np.zeros(count), control=list(names))


def test_control_checks_are_measured_minus_known_by_name_whatever_its_case():
    ground = ground_at([[1000.02, 2000.01, 30.03], [5.0, 5.0, 5.0], [1100.0, 2049.98, np.nan]])
    checks = control_checks(shots_on(["cp1", "", "CP2"]), ground, budget_of(3), CONTROL)
    assert checks.name == ("CP1", "CP2")
    assert checks.subject.tolist() == [0, 2]
    np.testing.assert_allclose(checks.difference[0], [0.02, 0.01, 0.03], atol=1e-9)
    assert np.isnan(checks.difference[1, 2])
    values, covariance = checks.observed()
    assert len(values) == 5
    assert covariance.shape == (5, 5)


def test_points_without_coordinates_and_shots_without_position_are_left_out():
    ground = ground_at([[np.nan, np.nan, np.nan], [1.0, 2.0, 3.0]])
    assert len(control_checks(shots_on(["CP1", "CP9"]), ground, budget_of(2), CONTROL)) == 0


def test_checks_off_one_base_and_on_one_point_share_errors():
    ground = ground_at([[1000.0, 2000.0, 30.0]] * 2 + [[1100.0, 2050.0, 31.0]])
    budget = budget_of(3, own=0.01, shared=0.02, groups=[0, 1, 1])
    joint = control_checks(shots_on(["CP1", "CP1", "CP2"]), ground, budget, CONTROL).joint
    assert joint[0, 0] == pytest.approx(0.01**2 + 0.02**2 + 0.004**2)
    assert joint[0, 3] == pytest.approx(0.004**2)  # the point only
    assert joint[3, 6] == pytest.approx(0.02**2)  # the base only
    assert joint[0, 6] == 0.0
    assert joint[5, 8] == pytest.approx(4 * 0.02**2)


def test_what_both_shots_share_cancels_in_a_repeat():
    ground = ground_at([[10.0, 20.0, 5.0], [10.03, 20.0, 5.02]])
    same = repeat_checks([(0, 1)], ground, budget_of(2, 0.01, 0.05))
    other = repeat_checks([(0, 1)], ground, budget_of(2, 0.01, 0.05, groups=[0, 1]))
    assert same.joint[0, 0] == pytest.approx(2 * 0.01**2)
    assert other.joint[0, 0] == pytest.approx(2 * (0.01**2 + 0.05**2))
    np.testing.assert_allclose(same.difference[0], [0.03, 0.0, 0.02], atol=1e-9)


def test_a_repeat_on_a_line_tells_the_offset_across_it_only():
    ground = ground_at([[0.0, 0.0, 0.0], [3.0, 0.02, 0.0]])  # three metres along, 2 cm aside
    checks = repeat_checks([(0, 1)], ground, budget_of(2), bearing=np.array([np.pi / 2]))
    np.testing.assert_allclose(checks.difference[0, :2], [0.0, 0.02], atol=1e-12)
    values, covariance = checks.observed()
    np.testing.assert_allclose(values, [0.02], atol=1e-12)  # no depth, so no height either
    np.testing.assert_allclose(covariance, [[2e-4]], atol=1e-12)


def test_two_repeats_of_one_shot_share_its_error():
    ground = ground_at([[0.0, 0.0, 0.0]] * 3)
    joint = repeat_checks([(0, 1), (0, 2)], ground, budget_of(3)).joint
    assert joint[0, 3] == pytest.approx(0.01**2)


def test_a_repeat_of_a_shot_with_itself_is_refused():
    with pytest.raises(InputError, match="twice"):
        repeat_checks([(1, 1)], ground_at([[0.0, 0.0, 0.0]] * 2), budget_of(2))


def many_checks(count, own, shared, seed, scale=1.0):
    rng = np.random.default_rng(seed)
    control = tuple(
        ControlPoint(f"P{k}", 10.0 * k, 5.0 * k, 30.0, 0.001, 0.001) for k in range(count)
    )
    place = np.array([(p.easting, p.northing, p.height) for p in control])
    axes = np.array([1.0, 1.0, 2.0])
    error = rng.standard_normal((count, 3)) * own * axes + rng.standard_normal(3) * shared * axes
    ground = ground_at(place + scale * error)
    shots = shots_on([p.name for p in control])
    return control_checks(shots, ground, budget_of(count, own, shared), control)


def test_the_variance_factors_interval_holds_one_for_19_of_20_honest_budgets():
    held = [judge_budget(many_checks(12, 0.01, 0.02, seed)).honest for seed in range(400)]
    assert 0.92 < np.mean(held) < 0.98


def test_a_budget_that_promises_too_much_is_told_so_and_not_changed():
    checks = many_checks(25, 0.01, 0.005, 1, scale=2.5)
    before = checks.joint.copy()
    result = judge_budget(checks)
    assert not result.honest
    assert result.low > 1.0
    assert 3.0 < result.factor < 12.0
    assert "promises too much" in result.words[0]
    assert any("was not changed" in word for word in result.words)
    np.testing.assert_array_equal(checks.joint, before)


def test_one_wild_check_is_named_and_the_factor_given_without_it():
    checks = many_checks(15, 0.01, 0.005, 3)
    difference = checks.difference.copy()
    difference[4] += [0.4, 0.0, 0.0]
    spoiled = type(checks)(**{**checks.__dict__, "difference": difference})
    result = judge_budget(spoiled)
    assert result.outliers.tolist() == [4]
    assert result.factor_without == pytest.approx(
        judge_budget(checks.take(np.arange(15) != 4)).factor
    )
    assert any("P4" in word for word in result.words)


def test_checks_that_share_an_offset_leave_a_wider_interval_than_as_many_free_ones():
    free = statements(many_checks(20, 0.02, 0.0, 5))[0]
    bound = statements(many_checks(20, 0.004, 0.02, 5))[0]
    assert free.rmse.freedom == pytest.approx(40, rel=0.01)
    assert bound.rmse.freedom < 4
    assert bound.high / bound.low > 2 * free.high / free.low


def test_rmse_intervals_hold_the_true_figure_in_19_of_20_jobs_also_with_shared_errors():
    for own, shared in ((0.02, 0.0), (0.015, 0.01)):
        true = np.sqrt(2.0 * (own**2 + shared**2 + 0.001**2))
        held = []
        for seed in range(300):
            rmse = statements(many_checks(10, own, shared, seed))[0].rmse
            held.append(rmse.low <= true <= rmse.high)
        assert 0.91 < np.mean(held) < 0.98


def test_repeats_are_called_repeatability_not_accuracy():
    rng = np.random.default_rng(2)
    place = np.repeat(rng.uniform(0, 100, (25, 3)), 2, axis=0)
    ground = ground_at(place + rng.standard_normal((50, 3)) * 0.01)
    pairs = [(2 * k, 2 * k + 1) for k in range(25)]
    said = statements(repeat_checks(pairs, ground, budget_of(50)))
    assert {item.standard for item in said} == {"repeatability"}
    # 2.4477 times one measurement's 1 cm
    assert said[0].accuracy == pytest.approx(2.4477 * 0.01, rel=0.25)


def test_checks_hardly_better_than_what_they_check_are_told_so():
    checks = many_checks(25, 0.01, 0.0, 1)
    worse = type(checks)(**{**checks.__dict__, "reference": np.tile(np.eye(3) * 1e-4, (25, 1, 1))})
    assert not any("three times" in w for w in statements(checks)[0].words)
    assert any("three times" in w for w in statements(worse)[0].words)
