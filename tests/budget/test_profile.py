import math
import tomllib

import pytest

from asfound.budget import default_text, load_profile
from asfound.errors import SettingsError


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
