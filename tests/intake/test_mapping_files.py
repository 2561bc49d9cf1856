"""Mapping files: written, read back, and refused with a remedy where they can't be used."""

from datetime import date

import pytest

from asfound.errors import InputError, SettingsError
from asfound.intake import (
    Column,
    Mapping,
    Part,
    guess_mapping,
    mapping_from_toml,
    mapping_to_toml,
)
from asfound.intake.mapping_file import forms_of, units_of
from asfound.intake.quantities import QUANTITIES
from asfound.model import Frame, Utility


def _full():
    return Mapping(
        format="delimited",
        kind="shots",
        encoding="windows-1252",
        separator="\t",
        decimal=",",
        header_line=3,
        columns={
            "longitude": Column('L\u00e4nge "x"\n', "deg", "dms", "W"),
            "depth": Column("Depth ft", "ft", plus=(Part("Depth in", "in"), Part(9, "in"))),
            "time": Column(4, form="dmy"),
            "frame": Column("Datum", only=("ITRF2020", "itrf 2020")),
            "utility": Column("Util"),
        },
        values={"utility": {"XQ": "gas", "a = b": "water"}, "fix": {"9": "rtk fixed"}},
        time_zone="America/Chicago",
        frame=Frame("ITRF2020", 2026.88, "orthometric", "g.tif"),
        position_accuracy=0.5,
        position_of="ground",
        receiver="SN 1",
        hookup="T1",
        crew="3",
        antenna_height=1.8,
        utility=Utility.GAS,
        short_rows="fill",
        received=date(2026, 11, 25),
    )


def test_a_mapping_comes_back_as_written():
    mapping = _full()
    text = mapping_to_toml(mapping)
    assert mapping_from_toml(text, "m.toml") == mapping
    assert mapping_to_toml(mapping_from_toml(text, "m.toml")) == text


@pytest.mark.parametrize("name", QUANTITIES)
def test_every_unit_and_form_of_every_quantity_comes_back(name):
    quantity = QUANTITIES[name]
    for unit in units_of(quantity):
        for form in forms_of(quantity):
            mapping = Mapping(columns={name: Column("c", unit, form)}, frame=Frame("ITRF2020"))
            back = mapping_from_toml(mapping_to_toml(mapping), "m")
            assert back.columns == mapping.columns


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("format = ", "TOML"),
        ("fromat = 'delimited'", "fromat"),
        ("format = 'xlsx'", "xlsx"),
        ("encoding = 'ebcdic'", "ebcdic"),
        ("separator = 'two'", "two"),
        ("separator = '\"'", "separator"),
        ("decimal = ';'", "decimal"),
        ("header_line = -1", "header_line"),
        ("header_line = true", "header_line"),
        ("time_zone = 'Mars/Olympus'", "Mars"),
        ("received = 'today'", "received"),
        ("[frame]\nheights = 'above sea'", "above sea"),
        ("[frame]\nepoch = '2026'", "epoch"),
        ("[frame]\nepoc = 2026.0", "epoc"),
        ("[frame]\nposition_accuracy = -1", "negative"),
        ("[defaults]\nantenna_height = '2 m'", "antenna_height"),
        ("[defaults]\nutility = 'plasma'", "plasma"),
        ("[columns.dept]\ncolumn = 'x'", "dept"),
        ("[columns.depth]\ncolumn = ''", "column"),
        ("[columns.depth]\ncolumn = 0", "from 1"),
        ("[columns.depth]\ncolumn = 'x'\nunit = 'foot'", "foot"),
        ("[columns.depth]\ncolumn = 'x'\nunits = 'm'", "units"),
        ("[columns.depth]\ncolumn = 'x'\nunit='ft'\nplus = 'y'", "plus"),
        ("[columns.depth]\ncolumn = 'x'\nunit='ft'\nplus = [{colum='y'}]", "colum"),
        ("[columns.longitude]\ncolumn = 'x'\nhemisphere = 'N'", "hemisphere"),
        ("[columns.time]\ncolumn = 'x'\nform = 'dym'", "dym"),
        ("[columns.frame]\ncolumn = 'x'\nonly = 'a'", "only"),
        ("[values.depth]\nx = 'y'", "depth"),
        ("[values.utility]\nx = 'plasma'", "plasma"),
        ("columns = 3", "table"),
        ("frame = 'ITRF2020'", "table"),
    ],
)
def test_mappings_that_cannot_be_used_are_named(text, named):
    with pytest.raises(SettingsError) as caught:
        mapping_from_toml(text, "mappings/A.toml")
    assert named in str(caught.value)
    assert "mappings/A.toml" in caught.value.where
    assert caught.value.remedy


def test_a_column_without_unit_is_open_where_the_unit_matters():
    mapping = mapping_from_toml("[columns.depth]\ncolumn = 'x'\n[columns.tilt]\ncolumn = 't'", "m")
    assert mapping.columns["depth"].unit == "?"
    assert mapping.columns["tilt"].unit == "deg"


def test_the_reference_names_every_quantity_unit_and_key():
    from pathlib import Path

    text = (Path(__file__).parents[2] / "docs/reference/mapping-file.md").read_text("utf-8")
    for quantity in QUANTITIES.values():
        assert f"`{quantity.name}`" in text, quantity.name
        for unit in units_of(quantity):
            assert not unit or f"`{unit}`" in text, unit
        for form in forms_of(quantity):
            assert not form or f"`{form}`" in text, form
    for key in (
        "format", "kind", "encoding", "separator", "decimal", "header_line", "short_rows",
        "layer", "position_of", "time_zone", "received", "crs", "epoch", "heights", "geoid",
        "position_accuracy", "receiver", "hookup", "crew", "antenna_height", "utility", "column",
        "unit", "form", "hemisphere", "plus", "only",
    ):  # fmt: skip
        assert f"`{key}`" in text, key


def test_feet_and_inches_as_older_mapping_files_had_them_are_understood():
    old = "[columns.depth]\ncolumn = 'Depth'\nunit = 'ft'\nform = 'feet-inches'\n"
    column = mapping_from_toml(old, "m.toml").columns["depth"]
    assert (column.unit, column.form) == ("ft in", "")


COVERED = (
    b"Point,Latitude,Longitude,Depth of cover (m),Utility\n"
    b"1,39.27,-98.04,1.2,gas\n2,39.2701,-98.04,1.2,gas\n"
)


def test_a_title_that_speaks_of_cover_is_doubted_until_someone_says_what_depths_are_to():
    hints = {"frame": "NAD83(2011)", "position_of": "ground"}
    guess = guess_mapping(COVERED, "cover.csv", hints=hints)
    assert [doubt.field for doubt in guess.doubts if "cover" in doubt.why] == ["depth_to"]
    told = guess_mapping(COVERED, "cover.csv", hints=hints | {"depth_to": "top"})
    assert not [doubt for doubt in told.doubts if doubt.field == "depth_to"]
    mapping = mapping_from_toml(mapping_to_toml(told.mapping), where="cover.toml")
    assert mapping == told.mapping
    assert mapping.depth_to == "top"


def test_depths_to_anything_else_are_refused():
    with pytest.raises(InputError, match="--depth-to"):
        guess_mapping(COVERED, "cover.csv", hints={"depth_to": "bottom"})
