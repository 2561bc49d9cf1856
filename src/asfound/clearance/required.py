"""Required clearances and assumptions by utility: data with their sources, a firm's own on top."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date
from functools import lru_cache
from importlib.resources import files

import numpy as np

from asfound.errors import InputError, SettingsError
from asfound.model import ClearanceRule, Dig, Utility
from asfound.units import parse_feet_inches

DEFAULT_RULES = ("tolerance-18", "gas-12", "gas-install-12", "electric-12", "water-sewer")
SHAPES = ("distance", "zone", "separation")
_LENGTHS = ("distance", "horizontal", "vertical")
_NEEDED = {"distance": ("distance",), "zone": ("horizontal",), "separation": _LENGTHS[1:]}


@dataclass(frozen=True)
class UtilityClass:
    """What is assumed of a line by its utility where nothing is known.

    Parameters
    ----------
    outside_diameter, diameter_spread : float
        Median [m], and standard deviation of the natural logarithm.
    depth, depth_sd : float
        Ground to centre [m].
    """

    outside_diameter: float
    diameter_spread: float
    depth: float
    depth_sd: float


def preset_rules() -> tuple[ClearanceRule, ...]:
    """All rules that come with asfound, each with its source."""
    return _presets()


def required_rules(
    chosen: Sequence[str] = DEFAULT_RULES, firm: str = "", *, where: str = "required clearances"
) -> tuple[ClearanceRule, ...]:
    """The rules of a job: presets by id, then a firm's own.

    Parameters
    ----------
    chosen : sequence of str
        Ids of presets.
    firm : str
        TOML text in the form of `required.toml`; a rule with a preset's id takes its place.

    Raises
    ------
    SettingsError
        If there is no such preset, or the firm's text can't be used.
    """
    presets = {rule.id: rule for rule in _presets()}
    unknown = [name for name in chosen if name not in presets]
    if unknown:
        raise SettingsError(
            f"there is no required clearance '{unknown[0]}'.",
            where=where,
            remedy=f"Known: {', '.join(presets)}.",
        )
    rules = {name: presets[name] for name in chosen}
    if firm:
        rules.update({rule.id: rule for rule in rules_from_toml(firm, where=where)})
    return tuple(rules.values())


def rules_from_toml(text: str, *, where: str) -> tuple[ClearanceRule, ...]:
    """Rules of a TOML text.

    Raises
    ------
    SettingsError
        If it is no TOML, or a rule has unknown, missing or impossible values.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"this is no TOML: {error}.", where=where, remedy="Correct the line named."
        ) from error
    entries = data.get("rule", [])
    if set(data) - {"rule"} or not isinstance(entries, list):
        raise SettingsError(
            f"unknown entries: {', '.join(sorted(set(data) - {'rule'}))}.",
            where=where,
            remedy="Write each rule as [[rule]] with id, title, shape and lengths.",
        )
    return tuple(_rule(entry, where) for entry in entries)


def rules_for(
    rules: Sequence[ClearanceRule], utility: Utility, dig: Dig
) -> tuple[ClearanceRule, ...]:
    """Those rules that hold between a dig and a line of a utility."""

    def fits(near: Utility, laid: Utility, rule: ClearanceRule) -> bool:
        return (not rule.near or near in rule.near) and (not rule.installs or laid in rule.installs)

    return tuple(
        rule
        for rule in rules
        if fits(utility, dig.installs, rule)
        or (rule.both_ways and fits(dig.installs, utility, rule))
    )


def widest_plan(rules: Sequence[ClearanceRule]) -> float:
    """The farthest in plan that any rule reaches [m]."""
    sizes = [size for rule in rules for size in (rule.distance, rule.horizontal)]
    return float(np.nanmax([0.0, *sizes]))


@lru_cache(maxsize=1)
def utility_classes() -> dict[Utility, UtilityClass]:
    """Assumptions by utility; common practice, no source."""
    text = files("asfound.clearance").joinpath("classes.toml").read_text("utf-8")
    return {Utility[name.upper()]: UtilityClass(**row) for name, row in tomllib.loads(text).items()}


@lru_cache(maxsize=1)
def _presets() -> tuple[ClearanceRule, ...]:
    text = files("asfound.clearance").joinpath("required.toml").read_text("utf-8")
    return rules_from_toml(text, where="required.toml")


def _rule(entry: object, where: str) -> ClearanceRule:
    if not isinstance(entry, dict):
        raise SettingsError("a rule is no table.", where=where, remedy="Write [[rule]].")
    name = str(entry.get("id", ""))
    at = f"{where}, rule '{name}'"
    known = {field.name for field in fields(ClearanceRule)}
    if set(entry) - known:
        raise SettingsError(
            f"unknown: {', '.join(sorted(set(entry) - known))}.",
            where=at,
            remedy=f"Known: {', '.join(sorted(known))}.",
        )
    shape = entry.get("shape")
    if not name or not entry.get("title") or shape not in SHAPES:
        raise SettingsError(
            "a rule lacks its id or title, or has no shape.",
            where=at,
            remedy=f"Give id, title and a shape: one of {', '.join(SHAPES)}.",
        )
    values: dict[str, object] = dict(entry)
    for key in _LENGTHS:
        if key in entry:
            values[key] = _length(entry[key], key, at)
    missing = [key for key in _NEEDED[shape] if key not in values]
    if missing:
        raise SettingsError(
            f"a rule of shape '{shape}' needs {' and '.join(missing)}.",
            where=at,
            remedy="Give it in metres, or as text such as '18 in'.",
        )
    for key in ("near", "installs"):
        values[key] = tuple(_utility(word, at) for word in entry.get(key, ()))
    if not isinstance(entry.get("read", date.min), date):
        raise SettingsError(
            "'read' is no date.", where=at, remedy="Write it like read = 2026-11-25."
        )
    return ClearanceRule(**values)  # type: ignore[arg-type]


def _length(value: object, key: str, where: str) -> float:
    if isinstance(value, str):
        try:
            length = parse_feet_inches(value)
        except InputError as error:
            raise SettingsError(error.what, where=where, remedy=error.remedy) from error
    elif isinstance(value, int | float) and not isinstance(value, bool):
        length = float(value)
    else:
        length = float("nan")
    if not (np.isfinite(length) and length >= 0):
        raise SettingsError(
            f"{key} is {value!r}.",
            where=where,
            remedy="Give metres, zero or more, or text such as '18 in'.",
        )
    return length


def _utility(word: object, where: str) -> Utility:
    try:
        return Utility[str(word).upper()]
    except KeyError:
        raise SettingsError(
            f"'{word}' is no utility.",
            where=where,
            remedy=f"Use {', '.join(kind.word for kind in Utility)}.",
        ) from None
