"""Mapping files: TOML with comments, read with care."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable
from datetime import date
from typing import Any

import numpy as np
import tomli_w

from asfound.errors import SettingsError
from asfound.intake.cell_reader import GRID_UNIT
from asfound.intake.clock import TIME_FORMS, check_zone
from asfound.intake.encodings import ENCODINGS
from asfound.intake.mapping import FORMATS, KINDS, NOT_GIVEN, OPEN, Column, Mapping, Part
from asfound.intake.open_questions import open_questions
from asfound.intake.quantities import QUANTITIES, Quantity
from asfound.intake.shot_cells import SD_FORMS
from asfound.intake.units_at_the_edge import SCALES
from asfound.intake.words import CODE_WORDS
from asfound.model import Frame, Utility

REFERENCE = "docs/reference/mapping-file.md"
SEPARATOR_NAMES = {"\t": "tab", " ": "blanks"}

_HEIGHT_KINDS = ("ellipsoidal", "orthometric", "none")
_HEMISPHERES = {
    "longitude": ("", "E", "W"),
    "latitude": ("", "N", "S"),
    "start_longitude": ("", "E", "W"),
    "start_latitude": ("", "N", "S"),
    "end_longitude": ("", "E", "W"),
    "end_latitude": ("", "N", "S"),
}


def units_of(quantity: Quantity) -> tuple[str, ...]:
    """Units that a column of a quantity can have."""
    if quantity.name.endswith(("easting", "northing")):
        return (*SCALES["length"], GRID_UNIT)
    if quantity.dimension == "length":
        return (*SCALES["length"], "ft in")
    if quantity.dimension in SCALES:
        return tuple(SCALES[quantity.dimension])
    return ("",)


def forms_of(quantity: Quantity) -> tuple[str, ...]:
    """Forms that a column of a quantity can have."""
    if quantity.dimension == "geographic":
        return ("decimal", "dms", "packed-dms", "packed-dm")
    if quantity.dimension == "time":
        return TIME_FORMS
    if quantity.name.endswith("_sd"):
        return tuple(SD_FORMS)
    if quantity.name == "depth":
        return ("", "negative")
    return ("",)


# Writing


def mapping_to_toml(mapping: Mapping) -> str:
    """A mapping as TOML, with comments; `mapping_from_toml` reads it back to the same mapping."""
    top: dict[str, Any] = {
        "format": mapping.format,
        "kind": mapping.kind,
    }
    if mapping.format == "delimited":
        top |= {
            "encoding": mapping.encoding,
            "separator": SEPARATOR_NAMES.get(mapping.separator, mapping.separator),
            "decimal": mapping.decimal,
            "header_line": mapping.header_line,
            "short_rows": mapping.short_rows,
        }
    elif mapping.format == "shapefile" and mapping.encoding != "utf-8":
        top["encoding"] = mapping.encoding
    if mapping.layer:
        top["layer"] = mapping.layer
    top["position_of"] = mapping.position_of
    if mapping.depth_to != "centre":
        top["depth_to"] = mapping.depth_to
    top["time_zone"] = mapping.time_zone
    if mapping.received is not None:
        top["received"] = mapping.received
    frame: dict[str, Any] = {"crs": mapping.frame.crs}
    if mapping.frame.epoch is not None:
        frame["epoch"] = mapping.frame.epoch
    frame["heights"] = mapping.frame.height_kind
    if mapping.frame.geoid:
        frame["geoid"] = mapping.frame.geoid
    if mapping.position_accuracy:
        frame["position_accuracy"] = mapping.position_accuracy
    defaults: dict[str, Any] = {
        key: getattr(mapping, key)
        for key in ("receiver", "hookup", "crew")
        if getattr(mapping, key)
    }
    if np.isfinite(mapping.antenna_height):
        defaults["antenna_height"] = mapping.antenna_height
    if mapping.utility != Utility.UNKNOWN:
        defaults["utility"] = mapping.utility.word
    parts = [
        f"# How asfound reads this upload. Every key is explained in {REFERENCE}.\n",
    ]
    questions = open_questions(mapping)
    if questions:
        parts.append(f'# Replace every "{OPEN}" before adding the file with this mapping:\n')
        parts += [f"#   {_comment(question.remedy)}\n" for question in questions]
    parts.append(tomli_w.dumps(top))
    if mapping.assumed:
        parts.append(
            "# Assumed, since nothing said otherwise; take out what you have made sure of:\n"
        )
        parts.append(tomli_w.dumps({"assumed": list(mapping.assumed)}))
    parts.append("\n" + tomli_w.dumps({"frame": frame}))
    if defaults:
        parts.append("\n# For rows that don't say; antenna_height in metres.\n")
        parts.append(tomli_w.dumps({"defaults": defaults}))
    for name, column in mapping.columns.items():
        parts.append(f"\n# {QUANTITIES[name].title}\n")
        parts.append(tomli_w.dumps({"columns": {name: _column_tree(column)}}))
    for name, words in mapping.values.items():
        known = ", ".join(CODE_WORDS[name])
        parts.append(f"\n# Words of the file = {known}\n")
        parts.append(tomli_w.dumps({"values": {name: dict(words)}}))
    return "".join(parts)


def _comment(text: str) -> str:
    return " ".join(text.split())


def _column_tree(column: Column) -> dict[str, Any]:
    tree: dict[str, Any] = {"column": column.column}
    for key in ("unit", "form", "hemisphere"):
        if getattr(column, key):
            tree[key] = getattr(column, key)
    if column.plus:
        tree["plus"] = [{"column": part.column, "unit": part.unit} for part in column.plus]
    if column.only:
        tree["only"] = list(column.only)
    return tree


# Reading


class _Table:
    """A TOML table that knows where it stands and which of its keys were asked for."""

    def __init__(self, values: Any, where: str) -> None:
        if not isinstance(values, dict):
            raise SettingsError("a table is needed here.", where=where, remedy=f"See {REFERENCE}.")
        self.values: dict[str, Any] = values
        self.where = where
        self.asked: list[str] = []

    def take(self, key: str, check: Callable[[Any], Any], default: Any) -> Any:
        self.asked.append(key)
        if key not in self.values:
            return default
        try:
            return check(self.values[key])
        except (ValueError, TypeError) as error:
            raise SettingsError(
                f"{key} = {self.values[key]!r} can't be used: {error}.",
                where=self.where,
                remedy=f"Correct the value; {REFERENCE} lists what each key takes.",
            ) from error

    def done(self) -> None:
        unknown = sorted(self.values.keys() - set(self.asked))
        if unknown:
            raise SettingsError(
                f"unknown key '{unknown[0]}'.",
                where=self.where,
                remedy=f"Known here: {', '.join(sorted(self.asked))}.",
            )


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError("text in quotes is needed")
    return value


def _one_of(words: Iterable[str]) -> Callable[[Any], str]:
    allowed = tuple(dict.fromkeys(words))

    def check(value: Any) -> str:
        if value != OPEN and value not in allowed:
            shown = ", ".join(word or '""' for word in allowed)
            raise ValueError(f"one of {shown} is needed")
        return str(value)

    return check


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise TypeError("a number is needed")
    return float(value)


def _not_negative(value: Any) -> float:
    if _number(value) < 0:
        raise ValueError("it can't be negative")
    return float(value)


def _line(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise TypeError("a line number from 1 is needed, or 0 for no header")
    return value


def _day(value: Any) -> date:
    if type(value) is not date:
        raise TypeError("a date such as 2026-11-17 is needed")
    return value


def _separator(value: Any) -> str:
    names = {name: character for character, name in SEPARATOR_NAMES.items()}
    text = names.get(_text(value), value)
    if len(text) != 1 or text in '"\r\n' or not text.isascii():
        raise ValueError('one character, "tab" or "blanks" is needed')
    return str(text)


def _column_key(value: Any) -> str | int:
    if isinstance(value, bool) or not isinstance(value, str | int) or value == "":
        raise TypeError("a header word in quotes or a column number from 1 is needed")
    if isinstance(value, int) and value < 1:
        raise ValueError("columns are numbered from 1")
    return value


def _utility(value: Any) -> Utility:
    word = _text(value).upper()
    if word not in Utility.__members__:
        raise ValueError(f"one of {', '.join(u.word for u in Utility)} is needed")
    return Utility[word]


def mapping_from_toml(text: str, where: str) -> Mapping:
    """The mapping of a mapping file.

    Raises
    ------
    SettingsError
        If it is no TOML, or holds an unknown key or a value that can't be used.
    """
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"not readable as TOML: {error}.", where=where, remedy="Correct the line it names."
        ) from error
    top = _Table(tree, where)
    frame = _Table(tree.get("frame", {}), f"{where}, [frame]")
    defaults = _Table(tree.get("defaults", {}), f"{where}, [defaults]")
    epoch = frame.take("epoch", _number, None)
    mapping = Mapping(
        format=top.take("format", _one_of(FORMATS), "delimited"),
        kind=top.take("kind", _one_of(KINDS), "shots"),
        encoding=top.take("encoding", _one_of(ENCODINGS), "utf-8"),
        separator=top.take("separator", _separator, ","),
        decimal=top.take("decimal", _one_of((".", ",")), "."),
        header_line=top.take("header_line", _line, 1),
        short_rows=top.take("short_rows", _one_of(("report", "fill")), "report"),
        layer=top.take("layer", _text, ""),
        position_of=top.take("position_of", _one_of(("antenna", "ground")), "antenna"),
        depth_to=top.take("depth_to", _one_of(("centre", "top")), "centre"),
        time_zone=top.take("time_zone", _text, ""),
        received=top.take("received", _day, None),
        assumed=tuple(top.take("assumed", _texts, ())),
        frame=Frame(
            crs=frame.take("crs", _text, OPEN),
            epoch=epoch,
            height_kind=frame.take("heights", _one_of(_HEIGHT_KINDS), "ellipsoidal"),
            geoid=frame.take("geoid", _text, ""),
        ),
        position_accuracy=frame.take("position_accuracy", _not_negative, 0.0),
        receiver=defaults.take("receiver", _text, ""),
        hookup=defaults.take("hookup", _text, ""),
        crew=defaults.take("crew", _text, ""),
        antenna_height=defaults.take("antenna_height", _not_negative, NOT_GIVEN),
        utility=defaults.take("utility", _utility, Utility.UNKNOWN),
        columns=_columns(tree.get("columns", {}), where),
        values=_values(tree.get("values", {}), where),
    )
    top.asked += ["frame", "defaults", "columns", "values"]
    for table in (top, frame, defaults):
        table.done()
    if mapping.time_zone != OPEN:
        check_zone(mapping.time_zone, where=f"{where}, time_zone")
    return mapping


def _columns(tree: Any, where: str) -> dict[str, Column]:
    table = _Table(tree, f"{where}, [columns]")
    columns = {}
    for name, content in table.values.items():
        here = f"{where}, [columns.{name}]"
        quantity = QUANTITIES.get(name)
        if quantity is None:
            raise SettingsError(
                f"unknown quantity '{name}'.",
                where=here,
                remedy=f"Known: {', '.join(QUANTITIES)}.",
            )
        column = _Table(content, here)
        units, forms = units_of(quantity), forms_of(quantity)
        if column.values.get("form") == "feet-inches" and quantity.dimension == "length":
            # As mapping files had it before feet and inches became a unit.
            column.values |= {"form": "", "unit": "ft in"}
        columns[name] = Column(
            column=column.take("column", _column_key, OPEN),
            unit=column.take("unit", _one_of(units), _usual(units, quantity)),
            form=column.take("form", _one_of(("", *forms)), ""),
            hemisphere=column.take("hemisphere", _one_of(_HEMISPHERES.get(name, ("",))), ""),
            plus=tuple(column.take("plus", _parts_reader(units, here), ())),
            only=tuple(column.take("only", _texts, ())),
        )
        column.done()
    return columns


def _usual(units: tuple[str, ...], quantity: Quantity) -> str:
    """What a missing unit means: nothing where there is a choice that moves results."""
    if quantity.dimension in ("length", "current", "frequency", "speed", "field"):
        return OPEN
    return units[0]


def _texts(value: Any) -> list[str]:
    if not isinstance(value, list):
        raise TypeError("a list of words is needed")
    return [_text(word) for word in value]


def _parts_reader(units: tuple[str, ...], where: str) -> Callable[[Any], list[Part]]:
    def read(value: Any) -> list[Part]:
        if not isinstance(value, list):
            raise TypeError("a list of tables with column and unit is needed")
        parts = []
        for item in value:
            table = _Table(item, f"{where}, plus")
            parts.append(
                Part(
                    table.take("column", _column_key, OPEN),
                    table.take("unit", _one_of(units), OPEN),
                )
            )
            table.done()
        return parts

    return read


def _values(tree: Any, where: str) -> dict[str, dict[str, str]]:
    table = _Table(tree, f"{where}, [values]")
    values = {}
    for name, content in table.values.items():
        here = f"{where}, [values.{name}]"
        if name not in CODE_WORDS:
            raise SettingsError(
                f"'{name}' takes no words.",
                where=here,
                remedy=f"Known: {', '.join(CODE_WORDS)}.",
            )
        words = _Table(content, here)
        check = _one_of(CODE_WORDS[name])
        values[name] = {word: words.take(word, check, "") for word in words.values}
    return values
