"""A step of the current along a line is told; a steady decay is not."""

import numpy as np
import pytest

from asfound.budget import RuleContext, error_budget, load_profile, registered
from asfound.model import Assembly, Frame, Ground, JobSettings, Operation, Shots, Source


def _context(current):
    count = len(current)
    station = 4.0 * np.arange(count)
    zero = np.zeros(count)
    shots = Shots.build(station, zero, depth=1.2, current=current, utility=2, hookup="T1")
    ground = Ground(
        station, zero, zero + 100.0, zero, zero, zero, zero, zero + 1.0, zero,
        np.zeros(count, np.int16), (Operation("a", "a", "none", 0.0, ""),), 1.0, "ellipsoidal",
    )  # fmt: skip
    assembly = Assembly(
        np.zeros(count, np.int32), np.arange(count, dtype=np.int32), station,
        np.full(count, np.pi / 2), ("G1",), np.array([2], np.int8), np.array([0], np.int32),
    )  # fmt: skip
    source = Source("A", "a.csv", "", 0, count, Frame("EPSG:6487"))
    settings, profile = JobSettings("x", Frame("EPSG:6487")), load_profile()
    budget = error_budget(shots, ground, assembly, (source,), settings, profile)
    return RuleContext(shots, ground, budget, assembly, (source,), settings, profile)


def _run(context):
    function = next(f for card, f in registered() if card.id == "current-event")
    return function(context)


@pytest.fixture
def steady():
    noise = 1 + 0.05 * np.random.default_rng(3).standard_normal(40)
    return 0.1 * np.exp(-4.0 * np.arange(40) / 400.0) * noise


def test_a_drop_at_a_branch_is_told_where_it_is(steady):
    found = _run(_context(np.where(np.arange(40) < 22, 1.0, 0.6) * steady))
    assert len(found.index) == 1
    assert abs(int(found.index[0]) - 21.5) <= 1
    assert found.value[0] == pytest.approx(0.6, abs=0.08)
    assert "branch" in found.detail[0]


def test_a_steady_decay_is_left_alone(steady):
    assert not len(_run(_context(steady)).index)


def test_without_currents_the_rule_says_why_it_did_not_run(steady):
    assert isinstance(_run(_context(steady * np.nan)), str)
