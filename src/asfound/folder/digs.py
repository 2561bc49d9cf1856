"""`digs.toml`: what will be dug, what was seen when something was, and what is required."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from asfound.clearance import DEFAULT_RULES, jurisdiction_rules, required_rules
from asfound.errors import InputError, SettingsError
from asfound.folder.dig_files import file_bytes, file_digs, file_inside
from asfound.folder.dig_tables import (
    DIG_TABLES,
    area_of,
    exposure_of,
    record_of,
)
from asfound.folder.layout import JobFolder
from asfound.folder.settings import (
    Table,
    positive,
    read_settings,
    table_in,
    tables_in,
    text,
    toml_tree,
)
from asfound.intake.digs import read_terrain
from asfound.model import Area, ClearanceRule, Dig, JobSettings, Plan, Terrain
from asfound.units import LengthUnit, length_unit

T = TypeVar("T")

_TABLES = (
    *DIG_TABLES, "file", "exposure", "record", "require", "advice", "ground", "searched",
)  # fmt: skip


def digs_file(folder: JobFolder) -> Path:
    """Where digs stand."""
    return folder.path / "digs.toml"


def read_dig_plan(folder: JobFolder) -> Plan:
    """Digs, exposures, lines from records and what is required; empty without `digs.toml`.

    Raises
    ------
    SettingsError
        If it holds an unknown key or a value that can't be used.
    InputError
        If a file that it names is missing, was changed or can't be read.
    """
    path = digs_file(folder)
    if not path.is_file():
        return Plan()
    where = str(path)
    tree = toml_tree(path)
    unit = length_unit(str(tree.pop("unit", "m")), where=f"{where}, unit")
    for key in tree:
        if key not in _TABLES:
            raise SettingsError(
                f"unknown table [{key}].", where=where, remedy=f"Known: {', '.join(_TABLES)}."
            )
    settings = read_settings(folder)

    def each(key: str, make: Callable[[Table, LengthUnit], T]) -> tuple[T, ...]:
        return tuple(make(table, unit) for table in tables_in(tree, key, where))

    drawn = [dig for key, make in DIG_TABLES.items() for dig in each(key, make)]
    plan = Plan(
        digs=_all_digs(drawn, folder, tree, unit, settings, where),
        exposures=each("exposure", exposure_of),
        records=each("record", record_of),
        required=_required(folder, table_in(tree, "require", where)),
        terrain=_terrain(folder, table_in(tree, "ground", where), unit, settings),
        searched=each("searched", _searched),
    )
    _own_names([item.name for item in plan.exposures], "exposures", where)
    _own_names([item.name for item in plan.records], "lines from records", where)
    return _advised(plan, tree, unit, where)


def _all_digs(
    drawn: list[Dig],
    folder: JobFolder,
    tree: Mapping[str, Any],
    unit: LengthUnit,
    settings: JobSettings,
    where: str,
) -> tuple[Dig, ...]:
    """Digs of the tables, then those of files; a name that is taken gets its file's beside it."""
    _own_names([dig.name for dig in drawn], "digs", where)
    found = tuple(drawn)
    for table in tables_in(tree, "file", where):
        stem, digs = file_digs(folder, table, unit, settings)
        found = digs_beside(found, digs, stem)
    return found


def digs_beside(digs: Sequence[Dig], more: Sequence[Dig], stem: str) -> tuple[Dig, ...]:
    """Digs, and those of a file after them; a name that is taken gets the file's beside it."""
    taken = {dig.name for dig in digs}
    found = list(digs)
    for dig in more:
        name, number = dig.name, 1
        while name in taken:
            name = f"{dig.name} ({stem})" if number == 1 else f"{dig.name} ({stem}, {number})"
            number += 1
        taken.add(name)
        found.append(replace(dig, name=name))
    return tuple(found)


def _own_names(names: list[str], kind: str, where: str) -> None:
    for name, count in Counter(names).items():
        if count > 1:
            raise SettingsError(
                f"{count} {kind} are called '{name}'.",
                where=where,
                remedy="Give each its own name.",
            )


def _required(folder: JobFolder, table: Table) -> tuple[ClearanceRule, ...] | None:
    if not table.values:
        return None
    where = table.where
    chosen = table.take("presets", _words, tuple[str, ...]())
    jurisdiction = table.take("jurisdiction", text, "")
    firm = table.take("file", text, "")
    table.done()
    presets = chosen or (jurisdiction_rules(jurisdiction, where=where) if jurisdiction else ())
    own = ""
    if firm:
        where, own = firm, _decoded(file_bytes(file_inside(folder, firm, table.where)), firm)
    if not (chosen or jurisdiction) and not firm:
        presets = DEFAULT_RULES
    return required_rules(presets, own, where=where)


def _decoded(content: bytes, name: str) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SettingsError(
            "this is no text in UTF-8.", where=name, remedy="Save it again as UTF-8."
        ) from error


def _words(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise TypeError("a list of texts is needed")
    return tuple(text(word) for word in value)


def _terrain(
    folder: JobFolder, table: Table, usual: LengthUnit, settings: JobSettings
) -> Terrain | None:
    if not table.values:
        return None
    name = table.take("file", text)
    unit = table.take("unit", text, usual.code)
    metres = length_unit(unit, where=f"{table.where}, unit").metres
    sd = table.take("height_sd", positive) * metres if "height_sd" in table.values else None
    table.asked.add("height_sd")
    table.done()
    path = file_inside(folder, name, table.where)
    # of a raster only what lies around the digs is read, so it is not taken into memory
    raster = path.suffix.lower() in (".tif", ".tiff") and path.is_file()
    content = path if raster else file_bytes(path)
    return read_terrain(content, name, unit=unit, settings=settings, height_sd=sd)


def _searched(table: Table, unit: LengthUnit) -> Area:
    area = area_of(table, unit, cost=1.0)
    return area if area.basis else replace(area, basis="declared in digs.toml")


def _advised(plan: Plan, tree: Mapping[str, Any], unit: LengthUnit, where: str) -> Plan:
    table = table_in(tree, "advice", where)
    at = f"{where} [advice]"
    table.asked |= {"forbidden", "dear"}
    holes = table.take("holes", _count, plan.holes)
    cost = table.take("cost", _cost, plan.hole_cost)
    table.done()
    areas = [
        area_of(one, unit, cost=float("inf")) for one in tables_in(table.values, "forbidden", at)
    ]
    areas += [area_of(one, unit) for one in tables_in(table.values, "dear", at)]
    return replace(plan, holes=holes, hole_cost=cost, hole_areas=tuple(areas))


def _count(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 100:
        raise ValueError("a whole number from 0 to 100 is needed")
    return value


def _cost(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e12:
        raise ValueError("a number above zero is needed")
    return float(value)


def no_digs(folder: JobFolder) -> InputError:
    """What to say of a job whose plan has no dig."""
    there = digs_file(folder).is_file()
    return InputError(
        "digs.toml plans no dig." if there else "the job has no digs.toml.",
        where=str(folder.path),
        remedy="Add a file with digs (asfound digs JOB --add FILE), or write them by hand: "
        "docs/reference/digs-file.md shows how.",
    )
