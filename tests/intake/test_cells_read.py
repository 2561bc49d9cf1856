"""Numbers, angles, times and words from cells."""

import numpy as np
import pyarrow as pa
import pytest

from asfound.errors import SettingsError
from asfound.intake.angles import read_angles
from asfound.intake.clock import check_zone, read_times
from asfound.intake.numbers import read_numbers
from asfound.intake.words import LabelsBuilder, read_codes, word_code
from asfound.model import Fix, Method, Utility


def _numbers(cells, unit="m", dimension="length", decimal="."):
    return read_numbers(pa.array(cells, pa.string()), dimension, unit, decimal)


@pytest.mark.parametrize(
    ("cell", "metres"),
    [
        ("1.5", 1.5),
        (" +1.5 ", 1.5),
        ("\u22121.5", -1.5),
        ("1e1", 10.0),
        (".5", 0.5),
        ("1.2 m", 1.2),
        ("4 ft", 1.2192),  # 1 ft = 0.3048 m exactly (NIST SP 811)
        ("3' 6\"", 1.0668),
        ("3 ft 6 in", 1.0668),
        ("42 in", 1.0668),
        ("120 cm", 1.2),
    ],
)
def test_lengths_in_cells_are_read_with_their_own_unit(cell, metres):
    values = _numbers([cell])
    assert values.number[0] == pytest.approx(metres, abs=1e-12)
    assert not values.bad[0]


@pytest.mark.parametrize("cell", ["abc", "1,5", "1.5.2", "<0.5", "inf", "-Infinity", "1.2 parsec"])
def test_what_is_no_length_is_bad_not_guessed(cell):
    values = _numbers([cell, "1.0"])
    assert values.bad.tolist() == [True, False]
    assert np.isnan(values.number[0])


@pytest.mark.parametrize("cell", ["", "  ", "n/a", "-", "NaN", "none", None])
def test_what_says_nothing_is_missing(cell):
    values = _numbers([cell])
    assert values.missing[0]
    assert not values.bad[0]


def test_decimal_commas_are_read_where_declared_and_only_there():
    assert _numbers(["1,5", "1.5"], decimal=",").number[0] == 1.5
    assert _numbers(["1,5", "1.5"], decimal=",").bad.tolist() == [False, True]


def test_bare_numbers_in_a_column_of_feet_and_inches_are_not_guessed():
    values = _numbers(["3' 6\"", "3.5", '7"'], unit="ft in")
    assert values.bad.tolist() == [False, True, False]
    assert values.number[[0, 2]] == pytest.approx([1.0668, 0.1778])


def _angles(cells, axis="longitude", form="dms", hemisphere="", letters=None, decimal="."):
    letters = pa.array(letters, pa.string()) if letters else None
    return read_angles(
        pa.array(cells, pa.string()), axis, "deg", form, hemisphere, letters, decimal
    )


@pytest.mark.parametrize(
    ("cell", "degrees"),
    [
        ("98\u00b002'17.38\"W", -(98 + 2 / 60 + 17.38 / 3600)),
        ("W 98 02 17.38", -(98 + 2 / 60 + 17.38 / 3600)),
        ("-98:02:17.38", -(98 + 2 / 60 + 17.38 / 3600)),
        ("98-02-17.38 E", 98 + 2 / 60 + 17.38 / 3600),
        ("98\u00b0 2.5\u2032 W", -(98 + 2.5 / 60)),
        ("98.5\u00b0W", -98.5),
        ("98.5 w", -98.5),
        ("-98.5", -98.5),
        ("98 deg 30 min 0 sec E", 98.5),
    ],
)
def test_sexagesimal_text_is_read(cell, degrees):
    values = _angles([cell])
    assert values.number[0] == pytest.approx(degrees, abs=1e-12)
    assert not values.bad[0]


@pytest.mark.parametrize(
    "cell", ["98 61 00 W", "98 10 60", "98.5 10 W", "-98.5 W", "98.5 N", "W98.5W", "98O", "x"]
)
def test_angles_that_contradict_themselves_are_bad(cell):
    values = _angles([cell])
    assert values.bad[0]


def test_packed_degrees_minutes_seconds_are_unpacked():
    dms = _angles(["0980217.38", "-0980217.38", "986100"], form="packed-dms")
    assert dms.number[:2] == pytest.approx([98.0381611111, -98.0381611111])
    assert dms.bad.tolist() == [False, False, True]
    dm = _angles(["09802.29"], form="packed-dm")
    assert dm.number[0] == pytest.approx(98 + 2.29 / 60)


def test_hemisphere_letters_may_stand_in_a_column_of_their_own():
    values = _angles(["98.5", "98.5", "98.5"], form="decimal", letters=["W", "E", "N"])
    assert values.number[:2].tolist() == [-98.5, 98.5]
    assert values.bad.tolist() == [False, False, True]


def test_a_declared_hemisphere_holds_for_all_and_a_minus_contradicts_it():
    values = _angles(["98.5", "-98.5"], form="decimal", hemisphere="W")
    assert values.number[0] == -98.5
    assert values.bad.tolist() == [False, True]


def _times(cells, form="iso", zone="", date=None):
    date = pa.array(date, pa.string()) if date else None
    return read_times(pa.array(cells, pa.string()), date, form, zone, ".")


@pytest.mark.parametrize(
    ("cell", "form", "zone", "utc"),
    [
        ("2026-11-17T14:12:20.1Z", "iso", "", "2026-11-17T14:12:20.1"),
        ("2026-11-17 08:12:20-06:00", "iso", "", "2026-11-17T14:12:20"),
        ("2026-11-17 08:12", "iso", "America/Chicago", "2026-11-17T14:12"),
        ("2026-07-17 08:12", "iso", "America/Chicago", "2026-07-17T13:12"),
        ("20261117T081220", "iso", "-06:00", "2026-11-17T14:12:20"),
        ("17.11.2026 08:30:05", "dmy", "", "2026-11-17T08:30:05"),
        ("11/17/2026 2:12:20 PM", "mdy", "", "2026-11-17T14:12:20"),
        ("11/17/26 12:00:01 AM", "mdy", "", "2026-11-17T00:00:01"),
        ("17-Nov-2026 08:30", "dmy", "", "2026-11-17T08:30"),
        ("17 M\u00e4rz 2026 08:30", "dmy", "", "2026-03-17T08:30"),
        ("1795011140", "unix", "", "2026-11-18T14:12:20"),
        ("1795011140500", "unix-ms", "", "2026-11-18T14:12:20.5"),
        # GPS minus UTC is 18 s since 2017-01-01 (IERS Bulletin C 52).
        ("2026-11-17 14:12:38", "iso", "GPS", "2026-11-17T14:12:20"),
    ],
)
def test_times_become_utc(cell, form, zone, utc):
    moments = _times([cell], form, zone)
    assert moments.time[0] == np.datetime64(utc, "us")
    assert not moments.bad[0]


@pytest.mark.parametrize(
    "cell", ["2026-13-01 08:00", "2026-02-30 08:00", "25:00", "soon", "13/13/2026 1:00"]
)
def test_times_that_do_not_exist_are_bad(cell):
    assert _times([cell], "mdy").bad[0]


def test_date_and_time_of_day_may_stand_in_two_columns():
    moments = _times(["08:30:05", ""], "dmy", "UTC", date=["17/11/2026", "17/11/2026"])
    assert moments.time[0] == np.datetime64("2026-11-17T08:30:05", "us")
    assert moments.missing.tolist() == [False, True]


def test_the_hour_that_a_clock_shows_twice_is_doubtful():
    # US daylight saving time ended on 1 November 2026 and began on 8 March 2026 (tz database).
    moments = _times(
        ["2026-11-01 00:59", "2026-11-01 01:30", "2026-11-01 02:00", "2026-03-08 02:30"],
        zone="America/Chicago",
    )
    assert moments.doubtful.tolist() == [False, True, False, True]
    assert moments.time[0] == np.datetime64("2026-11-01T05:59", "us")
    assert moments.time[1] == np.datetime64("2026-11-01T06:30", "us")
    assert moments.time[2] == np.datetime64("2026-11-01T08:00", "us")


def test_unknown_zones_are_refused():
    with pytest.raises(SettingsError, match="Mars"):
        check_zone("Mars/Olympus")


@pytest.mark.parametrize(
    ("quantity", "word", "code"),
    [
        ("utility", "GAS", Utility.GAS),
        ("utility", "Fibre Optic", Utility.COMMUNICATION),
        ("utility", "Strom", Utility.ELECTRIC),
        ("utility", "water main", Utility.WATER),
        ("utility", "8in gas line", Utility.GAS),
        ("utility", "yellow", Utility.GAS),  # APWA Uniform Color Code
        ("utility", "purple", Utility.RECLAIMED),
        ("utility", "gas and water", None),
        ("fix", "RTK-Fixed", Fix.RTK_FIXED),
        ("fix", "4", Fix.RTK_FIXED),
        ("fix", "5", Fix.RTK_FLOAT),
        ("fix", "RTK", None),  # fixed or float?
        ("method", "Induction", Method.INDUCTION),
        ("method", "passive_power", Method.PASSIVE_POWER),
    ],
)
def test_words_of_the_trade_are_known_and_vague_ones_are_not(quantity, word, code):
    found = word_code(quantity, word, {})
    assert found == (None if code is None else int(code))


def test_words_can_be_explained_by_the_mapping():
    codes = read_codes(pa.array(["XQ", "xq", "gas", ""]), "utility", {"XQ": "water"})
    assert codes.code.tolist() == [Utility.WATER, Utility.WATER, Utility.GAS, Utility.UNKNOWN]
    assert not codes.unknown.any()


def test_labels_of_blocks_are_joined_trimmed_and_blank_is_nothing():
    builder = LabelsBuilder()
    builder.add(pa.array(["a ", "", "b"]))
    builder.add(pa.array(["b", None, " a"]))
    labels = builder.done()
    assert labels.words().tolist() == ["a", "", "b", "b", "", "a"]
    assert labels.names == ("a", "b")


def test_labels_that_count_up_are_all_different():
    builder = LabelsBuilder()
    builder.add(pa.array(["1", "2"]))
    builder.add(pa.array(["10", "11"]))
    assert builder.done().words().tolist() == ["1", "2", "10", "11"]
