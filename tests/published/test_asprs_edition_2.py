"""ASPRS Positional Accuracy Standards for Digital Geospatial Data, edition 2, version 1.0 (2023).

Read in public summaries of the edition (GPS World, 6 December 2023; lidarmag, 6 October 2023): at
least 30 check points, error of the check points counted in, the 95 % figure dropped, a 3D accuracy
introduced. The formulas are from memory of sections 7 and 8 of the standard; its own worked
example could not be read, so the checks here are on the formulas.
"""

import numpy as np
import pytest

from asfound.accuracy import asprs_statement, asprs_three_dimensional, root_mean_square


def a_statement(count, reference=0.02, quantity="horizontal"):
    errors = np.full((count, 2), 0.03 / np.sqrt(2.0))
    if quantity == "vertical":
        errors = np.full(count, 0.03)
    return asprs_statement(root_mean_square(errors), reference, quantity=quantity)


def test_the_check_points_error_is_added_in_quadrature():
    statement = a_statement(30)
    assert statement.accuracy == pytest.approx(np.sqrt(0.03**2 + 0.02**2), abs=1e-12)
    assert statement.rmse.value == pytest.approx(0.03, abs=1e-12)
    assert statement.low < statement.accuracy < statement.high


def test_thirty_checks_are_asked_for():
    assert a_statement(30).sufficient
    few = a_statement(29)
    assert not few.sufficient
    assert any("only 29 check points" in word and "at least 30" in word for word in few.words)


def test_no_statement_by_this_edition_names_a_95_percent_accuracy():
    assert not any("95 % confidence" in word for word in a_statement(40).words)


def test_three_dimensions_are_both_in_quadrature():
    both = asprs_three_dimensional(a_statement(30), a_statement(30, quantity="vertical"))
    assert both == pytest.approx(np.sqrt(2.0 * (0.03**2 + 0.02**2)), abs=1e-12)
