"""The documentation of outputs can't drift from the outputs."""

from __future__ import annotations

import json
from pathlib import Path

from asfound.deliver import outputs_reference, write_outputs
from asfound.deliver.about import horizontal_crs
from asfound.deliver.columns import cells
from asfound.deliver.delivery import Delivery
from asfound.deliver.results_json import KEYS
from asfound.deliver.tables import TABLES
from asfound.model import Results
from asfound.units import LENGTH_UNITS

_PAGE = Path(__file__).parents[2] / "docs" / "reference" / "outputs.md"


def test_the_reference_page_is_what_the_definitions_say() -> None:
    assert _PAGE.read_text("utf-8") == outputs_reference()


def test_the_reference_page_lists_every_column_of_every_table() -> None:
    page = _PAGE.read_text("utf-8")
    for table in TABLES.values():
        section = page.split(f"## Table: {table.name}\n")[1].split("\n## ")[0]
        for column in table.columns:
            assert f"| `{column.name}`" in section
            assert column.description in section


def test_the_reference_page_lists_every_file(metre: Results, tmp_path: Path) -> None:
    page = _PAGE.read_text("utf-8")
    for path in write_outputs(metre, tmp_path):
        assert f"`{path.name}`" in page


def test_results_json_has_the_documented_keys_in_order(metre: Results, tmp_path: Path) -> None:
    write_outputs(metre, tmp_path, formats=("json",))
    assert list(json.loads((tmp_path / "results.json").read_text("utf-8"))) == list(KEYS)


def test_short_names_are_unique_and_fit_ten_characters_in_any_unit(delivery: Delivery) -> None:
    longest = max(LENGTH_UNITS, key=len)
    for table in TABLES.values():
        names = [
            f"{c.short}_{longest}" if c.quantity in ("length", "grid") else c.short
            for c in table.columns
        ]
        assert max(len(name) for name in names) <= 10
        assert len({name.upper() for name in names}) == len(names)


def test_every_column_says_what_it_is_and_has_one_value_a_row(delivery: Delivery) -> None:
    for table in TABLES.values():
        filled = cells(delivery, table)
        assert len({column.name for column in table.columns}) == len(table.columns)
        for column, values in zip(table.columns, filled.columns, strict=True):
            assert column.description.endswith(".")
            assert len(values) == len(filled)


def test_a_compound_crs_gives_its_horizontal_part() -> None:
    # EPSG:6349 is NAD83(2011) + NAVD88 height (EPSG registry).
    assert horizontal_crs("EPSG:6349").to_epsg() == 6318
    assert horizontal_crs("EPSG:6427+5703").to_epsg() == 6427
