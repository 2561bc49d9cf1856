import math
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

import asfound.budget
from asfound.budget import default_text, load_profile, registered
from asfound.errors import SettingsError
from asfound.model import Fix, Frame

ERRORS = sorted(load_profile().tables["errors"])


def test_the_default_profile_holds_every_value_of_its_file():
    profile = load_profile()
    for table, values in tomllib.loads(default_text()).items():
        for key, value in values.items():
            assert profile(table, key) == value


def test_an_override_changes_its_own_value_only():
    changed, default = load_profile({"pdop": {"note": 3}}), load_profile()
    assert changed("pdop", "note") == 3.0
    assert changed("pdop", "doubt") == default("pdop", "doubt")
    assert load_profile()("pdop", "note") == default("pdop", "note")


@pytest.mark.parametrize(
    ("overrides", "named"),
    [
        ({"pdops": {"note": 3}}, "pdops"),
        ({"pdop": {"nota": 3}}, "nota"),
        ({"pdop": 3}, "pdop"),
        ({"pdop": {"note": "three"}}, "three"),
        ({"pdop": {"note": True}}, "True"),
        ({"pdop": {"note": -1.0}}, "-1.0"),
        ({"pdop": {"note": math.nan}}, "nan"),
        ({"pdop": {"note": math.inf}}, "inf"),
        ({"pdop": {"note": [3]}}, "[3]"),
        ({"errors": {"coil_separation": 0.0}}, "coil_separation"),
    ],
)
def test_what_can_not_be_used_is_refused_by_name(overrides, named):
    with pytest.raises(SettingsError) as caught:
        load_profile(overrides)
    assert named in str(caught.value)
    assert "job.toml" in caught.value.where
    assert caught.value.remedy


def test_a_note_limit_beyond_the_doubt_limit_is_refused():
    with pytest.raises(SettingsError, match="note"):
        load_profile({"pdop": {"note": 7.0}})
    with pytest.raises(SettingsError, match="note"):
        load_profile({"satellites": {"note": 4.0}})


@pytest.fixture
def mixed(survey, straight):
    """Shots of every kind, so that every size of the profile has something to act on."""
    scene = survey(straight(count=8)).having([0], fix=Fix.RTK_FLOAT)
    scene = scene.having([1], fix=Fix.DIFFERENTIAL).having([2], fix=Fix.AUTONOMOUS)
    scene = scene.having([3], base_distance=np.nan, east_sd=np.nan, north_sd=np.nan)
    scene = scene.having([4], antenna_height=np.nan).having([5], tilt=np.nan)
    scene = scene.having([6], depth=np.nan, correction_age=20.0, speed=0.4)
    return scene.declaring(frame=Frame("EPSG:6466", geoid="grid.tif"))


@pytest.mark.parametrize("key", ERRORS)
def test_every_error_size_changes_the_budget_the_way_it_should(mixed, key):
    value = load_profile()("errors", key)
    usual, larger = mixed.budget(), mixed.budget(errors={key: 1.5 * value})
    change = np.nan_to_num(larger.covariance - usual.covariance)
    diagonal = change[:, [0, 1, 2], [0, 1, 2]]
    # A longer free time of the correction's age, and coils farther apart, are for the better.
    sign = -1.0 if key in ("age_free", "coil_separation") else 1.0
    assert (sign * diagonal).max() > 1e-8
    assert (sign * diagonal).min() > -1e-12


def test_every_value_of_a_rule_is_used_by_the_program():
    source = "".join(
        file.read_text("utf-8") for file in Path(asfound.budget.__file__).parent.rglob("*.py")
    )
    for table, values in load_profile().tables.items():
        for key in values:
            assert table == "errors" or f'"{key}"' in source, f"[{table}] {key} is never read"


def test_a_rules_card_states_the_limits_of_the_default_profile():
    tables = load_profile().tables
    for card, _ in registered():
        said = [float(word) for word in re.findall(r"\d+(?:\.\d+)?", card.threshold)]
        for key in ("note", "doubt", "most", "never", "margin", "limit", "days"):
            value = tables.get(card.id, {}).get(key)
            if value is not None:
                forms = (value, value / 1000.0)
                assert any(abs(s - form) < 1e-9 for s in said for form in forms), (card.id, key)
