"""Which required clearances hold where."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib.resources import files

from asfound.errors import SettingsError


def jurisdiction_rules(code: str, *, where: str = "jurisdiction") -> tuple[str, ...]:
    """Ids of the presets that hold in a jurisdiction.

    Parameters
    ----------
    code : str
        ISO 3166 code of a country, or of a state such as ``'US-CO'``.

    Raises
    ------
    SettingsError
        If nothing is known of it.
    """
    known = _jurisdictions()
    if code not in known:
        raise SettingsError(
            f"no required clearances are known for '{code}'.",
            where=where,
            remedy=f"Known: {', '.join(known)}. Elsewhere name presets, or give a file of your own "
            "rules by the law that holds there.",
        )
    return known[code]


@lru_cache(maxsize=1)
def _jurisdictions() -> dict[str, tuple[str, ...]]:
    text = files("asfound.clearance").joinpath("jurisdictions.toml").read_text("utf-8")
    return {code: tuple(row["presets"]) for code, row in tomllib.loads(text).items()}
