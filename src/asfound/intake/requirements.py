"""What a mapping must hold for a file to be read at all."""

from __future__ import annotations

from asfound.errors import SettingsError
from asfound.intake.frames import FrameFacts
from asfound.intake.mapping import Mapping

_SWEEP_NEEDS = ("position", "coil_height", "coil", "reading")


def check_mapping(mapping: Mapping, facts: FrameFacts, name: str, *, located: bool) -> None:
    """Whether a mapping has the columns that its kind and frame need.

    Parameters
    ----------
    located : bool
        Positions do not come from columns.

    Raises
    ------
    SettingsError
        If a column is missing, or coordinates and frame don't go together.
    """
    where = f"{name}, mapping"
    if mapping.kind == "sweeps":
        for quantity in _SWEEP_NEEDS:
            _need(quantity, mapping, where, "a sweep can't be read without it")
        for end in ("start", "end"):
            _need_pair(mapping, facts, where, f"{end}_")
    elif mapping.kind == "readings without position":
        _need("time", mapping, where, "readings are placed by time")
    elif not located:
        _need_pair(mapping, facts, where, "")


def _need(quantity: str, mapping: Mapping, where: str, why: str) -> None:
    if quantity not in mapping.columns:
        raise SettingsError(
            f"no column is mapped to {quantity}; {why}.",
            where=where,
            remedy=f"Add [columns.{quantity}] to the mapping file.",
        )


def _need_pair(mapping: Mapping, facts: FrameFacts, where: str, end: str) -> None:
    pairs = {True: ("longitude", "latitude"), False: ("easting", "northing")}
    own, other = pairs[facts.geographic], pairs[not facts.geographic]
    missing = [name for name in own if end + name not in mapping.columns]
    if not missing:
        return
    if all(end + name in mapping.columns for name in other):
        kind = "degrees" if facts.geographic else "a grid"
        raise SettingsError(
            f"the frame '{mapping.frame.crs}' has {kind}, but the mapping has {end}{other[0]} and "
            f"{end}{other[1]}.",
            where=where,
            remedy="Declare the frame that the columns are in.",
        )
    raise SettingsError(
        f"no column is mapped to {end}{missing[0]}.",
        where=where,
        remedy=f"Add [columns.{end}{missing[0]}] to the mapping file.",
    )
