"""National Standard for Spatial Data Accuracy (FGDC-STD-007.3-1998).

Factors: 1.7308 = 2.4477 / sqrt(2), 2.4477 and 1.9600 as printed in the standard.

The worked tables of its appendix 3-A and of the Minnesota Positional Accuracy Handbook (1999) could
not be read when this was written, so none is repeated here from memory. What could be read is
a vertical accuracy report of the U.S. Geological Survey (Barataria and Jean Lafitte lidar,
Louisiana 2013, National Geospatial Technical Operations Center, VA.txt), which prints its 51
points' mean, standard deviation, RMSE and NSSDA accuracy, and a table of horizontal accuracies.
"""

import numpy as np
import pytest
from scipy.stats import chi2, norm

from asfound.accuracy import nssda_horizontal, nssda_vertical, root_mean_square

USGS_COUNT = 51
USGS_MEAN = -0.00533333349535
USGS_SD = 0.0577205913534
USGS_RMSE = 0.0574002119585
USGS_ACCURACY = 0.112504415439


def errors_with(count, mean, sd):
    """Errors of exactly this mean and sample standard deviation."""
    raw = np.random.default_rng(7).standard_normal(count)
    raw = (raw - raw.mean()) / raw.std(ddof=1)
    return mean + sd * raw


def test_a_published_vertical_report_is_met_to_its_digits():
    statement = nssda_vertical(errors_with(USGS_COUNT, USGS_MEAN, USGS_SD))
    # the report's numbers carry single precision inside: they agree among each other to 2e-10
    assert statement.rmse.value == pytest.approx(USGS_RMSE, abs=5e-10)
    assert statement.accuracy == pytest.approx(USGS_ACCURACY, abs=1e-9)
    assert statement.rmse.mean == pytest.approx(USGS_MEAN, abs=1e-14)
    assert pytest.approx(USGS_ACCURACY, abs=5e-13) == USGS_RMSE * 1.96
    assert statement.sufficient
    assert statement.words[0].startswith(
        "Tested 0.113 m vertical accuracy at 95 % confidence level"
    )


# Federal Emergency Management Agency, Guidelines and Specifications for Flood Hazard Mapping
# Partners, appendix A (April 2003), table A-1, read in a public board memo of a state's water
# board: NSSDA accuracy and radial RMSE in feet, to the digits printed.
FEMA_HORIZONTAL = ((19.0, 11.0), (38.0, 22.0), (45.6, 26.3))


@pytest.mark.parametrize(("accuracy", "rmse"), FEMA_HORIZONTAL)
def test_a_published_table_of_horizontal_accuracies_is_met_to_its_digits(accuracy, rmse):
    unit = nssda_horizontal(np.array([np.sqrt(0.5)]), np.array([np.sqrt(0.5)]))
    assert unit.rmse.value == pytest.approx(1.0)
    assert round(accuracy / unit.accuracy, 1) == rmse


def test_the_standards_factors_are_those_of_the_normal_distribution():
    one = np.array([1.0])
    equal = nssda_horizontal(one, one, form="equal")
    assert equal.accuracy == pytest.approx(1.7308 * np.sqrt(2.0), abs=1e-12)
    assert equal.accuracy == pytest.approx(np.sqrt(chi2.ppf(0.95, 2)), abs=1e-4)
    unequal = nssda_horizontal(one, 0.8 * one)
    assert unequal.accuracy == pytest.approx(2.4477 * 0.9, abs=1e-12)
    assert nssda_vertical(one).accuracy == pytest.approx(norm.ppf(0.975), abs=1e-4)


def test_both_forms_agree_where_the_axes_are_equal():
    errors = errors_with(30, 0.0, 0.02)
    equal = nssda_horizontal(errors, errors[::-1], form="equal")
    unequal = nssda_horizontal(errors, errors[::-1], form="unequal")
    assert equal.accuracy == pytest.approx(unequal.accuracy, rel=2e-5)


def test_at_a_ratio_of_point_six_and_below_the_standard_has_no_formula_and_the_words_say_so():
    errors = errors_with(30, 0.0, 0.02)
    statement = nssda_horizontal(errors, 0.5 * errors)
    assert statement.form == "exact 95 % circle"
    assert any("no formula" in word for word in statement.words)
    above = nssda_horizontal(errors, 0.61 * errors)
    assert above.form == "2.4477 x 0.5 (RMSE_x + RMSE_y)"


def test_fewer_than_twenty_checks_are_not_called_a_tested_accuracy():
    few = nssda_vertical(errors_with(19, 0.0, 0.02))
    enough = nssda_vertical(errors_with(20, 0.0, 0.02))
    assert not few.sufficient
    assert "not a tested accuracy" in few.words[0]
    assert "at least 20" in few.words[0]
    assert enough.sufficient
    assert "Tested" in enough.words[0]


def test_the_interval_of_an_rmse_is_the_chi_squared_one():
    # NIST/SEMATECH e-Handbook, 1.3.6.7.4: chi-squared of 10 degrees has 2.5 % below 3.247 and
    # 2.5 % above 20.483
    result = root_mean_square(errors_with(10, 0.0, 1.0))
    assert result.low == pytest.approx(result.value * np.sqrt(10 / 20.483), rel=1e-4)
    assert result.high == pytest.approx(result.value * np.sqrt(10 / 3.247), rel=1e-4)
