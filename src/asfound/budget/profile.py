"""Thresholds and error sizes: the default profile, and a firm's own values over it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from math import isfinite

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
        If a table or key is unknown, or a value is not a usable number.
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
            tables[table][key] = float(value)
    return Profile(tables)
