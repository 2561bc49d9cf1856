import numpy as np
import pytest

from asfound.budget import explain_shot


@pytest.fixture
def budget(survey, straight):
    return survey(straight(count=6)).having([1], depth=np.nan).budget()


@pytest.mark.parametrize("index", [0, 1, 5])
def test_shares_sum_to_one(budget, index):
    explained = explain_shot(budget, index)
    assert sum(t.horizontal_share for t in explained) == pytest.approx(1.0)
    assert sum(t.vertical_share for t in explained) == pytest.approx(1.0)


def test_terms_add_up_to_the_covariance(budget):
    explained = explain_shot(budget, 0)
    assert len(explained) == len(budget.terms)
    up = sum(t.vertical_sd**2 for t in explained)
    assert up == pytest.approx(budget.covariance[0, 2, 2])
    level = budget.covariance[0, 0, 0] + budget.covariance[0, 1, 1]
    named = {t.name: t for t in budget.terms}
    for part in explained:
        term = named[part.name]
        east_north = [float(np.ravel(x)[0]) for x in (term.east_east, term.north_north)]
        assert part.horizontal_share == pytest.approx(sum(east_north) / level)


def test_the_worse_axis_of_a_directed_term_is_its_whole_size(budget):
    part = next(t for t in explain_shot(budget, 0) if t.name == "pinpointing")
    term = next(t for t in budget.terms if t.name == "pinpointing")
    assert part.horizontal_sd == pytest.approx(
        np.sqrt(term.east_east[0] + term.north_north[0]), rel=1e-9
    )


def test_the_largest_come_first(budget):
    weight = [t.horizontal_share + t.vertical_share for t in explain_shot(budget, 0)]
    assert weight == sorted(weight, reverse=True)


def test_shared_terms_are_named_so(budget):
    shared = {t.name for t in explain_shot(budget, 0) if t.shared}
    assert shared == {"service", "antenna-height", "depth-scale"}
