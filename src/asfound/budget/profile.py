"""Thresholds and error sizes: the default profile, and a firm's own values over it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from math import inf, isfinite

from asfound.errors import SettingsError


@dataclass(frozen=True)
class Profile:
    """All values by table and key; numbers in the units `default_profile.toml` states."""

    tables: Mapping[str, Mapping[str, float]]

    def __call__(self, table: str, key: str) -> float:
        return self.tables[table][key]


@lru_cache(maxsize=1)
def default_text() -> str:
    """The default profile as text, comments included."""
    return resources.files(__package__).joinpath("default_profile.toml").read_text("utf-8")


@lru_cache(maxsize=1)
def _defaults() -> dict[str, dict[str, float]]:
    tree = tomllib.loads(default_text())
    return {table: {k: float(v) for k, v in values.items()} for table, values in tree.items()}


def load_profile(overrides: Mapping[str, object] | None = None) -> Profile:
    """The default profile with a job's overrides.

    Parameters
    ----------
    overrides : mapping
        By table and key, as `[profile.TABLE]` of `job.toml` holds them.

    Raises
    ------
    SettingsError
        If a table or key is unknown, a value is not a usable number, or two limits contradict
        each other.
    """
    tables = {table: dict(values) for table, values in _defaults().items()}
    for table, values in (overrides or {}).items():
        where = f"job.toml [profile.{table}]"
        if table not in tables or not isinstance(values, Mapping):
            raise SettingsError(
                f"there is no profile table '{table}'.",
                where="job.toml [profile]",
                remedy=f"Known: {', '.join(sorted(tables))}.",
            )
        for key, value in values.items():
            if key not in tables[table]:
                raise SettingsError(
                    f"unknown key '{key}'.",
                    where=where,
                    remedy=f"Known here: {', '.join(sorted(tables[table]))}.",
                )
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise SettingsError(
                    f"{key} = {value!r} is not a number.", where=where, remedy="Give a number."
                )
            if not isfinite(value) or value < 0:
                raise SettingsError(
                    f"{key} = {value!r} can't be used.",
                    where=where,
                    remedy="Give a finite number that is not negative.",
                )
            low, high = _BOUNDS.get((table, key), (0.0, inf))
            if not low <= value <= high:
                raise SettingsError(
                    f"{key} = {value!r} can't be used.",
                    where=where,
                    remedy=f"Give a number from {low:g} to {high:g}.",
                )
            tables[table][key] = float(value)
    for table, values in tables.items():
        _check_order(table, values, _defaults()[table])
    return Profile(tables)


_BOUNDS: dict[tuple[str, str], tuple[float, float]] = {
    ("errors", "coil_separation"): (0.01, 10.0),
    ("errors", "default_depth"): (0.01, 100.0),
    ("current-change", "note"): (1.0, 1000.0),
    ("current-change", "doubt"): (1.0, 1000.0),
    ("control-failed", "chance"): (1e-12, 1.0),
}
_GRADES = (("note", "doubt"), ("least", "most"), ("most", "never"))


def _check_order(table: str, values: Mapping[str, float], default: Mapping[str, float]) -> None:
    """Two limits of one kind must stand in the order in which the default profile has them."""
    for first, second in _GRADES:
        if first not in values or second not in values:
            continue
        rising = default[first] <= default[second]
        if values[first] != values[second] and (values[first] < values[second]) != rising:
            raise SettingsError(
                f"{first} = {values[first]:g} and {second} = {values[second]:g} are the wrong way "
                "round.",
                where=f"job.toml [profile.{table}]",
                remedy=f"'{first}' must not be {'beyond' if rising else 'below'} '{second}'.",
            )
