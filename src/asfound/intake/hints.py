"""What a user declares beside a file, checked."""

from __future__ import annotations

from collections.abc import Mapping as Dictionary
from dataclasses import dataclass, field
from datetime import date

from asfound.errors import InputError
from asfound.intake.clock import check_zone
from asfound.intake.mapping import NOT_GIVEN
from asfound.intake.numbers import odd_number
from asfound.model import Utility

KNOWN = (
    "frame", "epoch", "heights", "geoid", "zone", "receiver", "antenna_height", "position_of",
    "depth_to", "utility", "hookup", "crew", "units", "position_accuracy", "kind", "layer",
    "received", "job_crs",
)  # fmt: skip


@dataclass(frozen=True)
class Hints:
    """Declarations that go before any guess; see `Mapping` for their meaning."""

    frame: str = ""
    epoch: float | None = None
    heights: str = ""
    geoid: str = ""
    zone: str = ""
    receiver: str = ""
    antenna_height: float = NOT_GIVEN
    position_of: str = ""
    depth_to: str = ""
    utility: Utility = Utility.UNKNOWN
    hookup: str = ""
    crew: str = ""
    units: dict[str, str] = field(default_factory=dict)
    position_accuracy: float = 0.0
    kind: str = ""
    layer: str = ""
    received: date | None = None
    job_crs: str = ""


def read_hints(hints: Dictionary[str, object] | None) -> Hints:
    """Hints as the command line gives them, checked.

    Raises
    ------
    InputError
        If one is unknown or can't be used.
    """
    given = dict(hints or {})
    for key in given:
        if key not in KNOWN:
            raise InputError(
                f"unknown hint '{key}'.", where="hints", remedy=f"Known: {', '.join(KNOWN)}."
            )
    words = {
        key: str(given.get(key, "") or "")
        for key in (
            "frame", "heights", "geoid", "zone", "receiver", "position_of", "depth_to",
            "hookup", "crew", "kind", "layer", "job_crs",
        )
    }  # fmt: skip
    _one_of("heights", words["heights"], ("", "ellipsoidal", "orthometric", "none"))
    _one_of("position_of", words["position_of"], ("", "antenna", "ground"))
    _one_of("depth_to", words["depth_to"], ("", "centre", "top"))
    _one_of("kind", words["kind"], ("", "shots", "sweeps", "readings without position"))
    check_zone(words["zone"], where="--zone")
    units = given.get("units") or {}
    received = given.get("received")
    return Hints(
        **words,
        epoch=_number("epoch", given.get("epoch")),
        antenna_height=pole_height(given.get("antenna_height")),
        utility=_utility(str(given.get("utility", "") or "")),
        units={str(k): str(v) for k, v in units.items()} if isinstance(units, dict) else {},
        position_accuracy=_number("position_accuracy", given.get("position_accuracy")) or 0.0,
        received=received if isinstance(received, date) else None,
    )


def _one_of(name: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise InputError(
            f"'{value}' can't be used.",
            where=f"--{name.replace('_', '-')}",
            remedy=f"Use one of {', '.join(word for word in allowed if word)}.",
        )


def _number(name: str, value: object) -> float | None:
    if value is None or value == "":
        return None
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        number = float("nan")
    if not 0 <= number < 1e6:
        raise InputError(
            f"'{value}' is not a number that can be used.", where=f"--{name.replace('_', '-')}"
        )
    return number


def pole_height(value: object, *, where: str = "--antenna-height") -> float:
    """An antenna height with its unit, in metres; NaN-like `NOT_GIVEN` where there is none.

    Raises
    ------
    InputError
        If it is not a length from 0 to 100 m.
    """
    if value is None or value == "":
        return NOT_GIVEN
    metres = None if isinstance(value, int | float) else odd_number(str(value), "length", None, ".")
    if not isinstance(metres, float) or not 0 <= metres < 100:
        raise InputError(
            f"'{value}' is not a height with a unit.",
            where=where,
            remedy="Write it like '1.8 m' or '6 ft'.",
        )
    return metres


def _utility(word: str) -> Utility:
    if not word:
        return Utility.UNKNOWN
    if word.upper() not in Utility.__members__:
        raise InputError(
            f"'{word}' is not a utility.",
            where="--utility",
            remedy=f"Use one of {', '.join(u.word for u in Utility)}.",
        )
    return Utility[word.upper()]
