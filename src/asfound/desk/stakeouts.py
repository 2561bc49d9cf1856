"""A stakeout list as the job page asks for it, as a table of `stakeout.toml`."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from asfound.desk.actions import checked_settings, find_upload
from asfound.desk.context import Desk
from asfound.errors import InputError

Table = dict[str, Any]


def stakeout_table(desk: Desk, job: str, given: Table) -> Table:
    """The table of a list.

    Parameters
    ----------
    given : dict
        Keys of `stakeout.toml` as they are; or ``what`` (``shots``, ``line``, ``crossings``) with
        ``shots`` as pairs of SHA-256 and row, ``line`` and ``every`` in metres. The correction
        service is the job's own frame and the day today, where they are left out.

    Raises
    ------
    InputError
        If it asks for something unknown.
    """
    state = desk.state(job)
    table = {key: value for key, value in given.items() if key not in ("what", "every")}
    what = given.get("what")
    if what == "shots" or (what is None and _pairs(given.get("shots"))):
        table["shots"] = [
            f"{find_upload(state, str(sha256)).tag}-{int(row)}"
            for sha256, row in _checked_pairs(given.get("shots"))
        ]
    elif what == "line":
        line: Table = {"line": str(given.get("line", ""))}
        every = given.get("every")
        if every is not None:
            line["every"] = f"{_metres(every):g} m"
        table["line"] = [line]
    elif what == "crossings":
        table["crossings"] = True
    elif what is not None:
        raise InputError(
            f"a list of '{what}' can't be made.",
            where="what",
            remedy="Choose shots, points along a line, or crossings.",
        )
    frame = checked_settings(desk, state.settings).frame
    if "service" not in table:
        table["service"] = frame.crs
        if frame.epoch is not None:
            table["service_epoch"] = frame.epoch
        if frame.height_kind != "ellipsoidal":
            table |= {"heights": frame.height_kind, "geoid": frame.geoid}
    table.setdefault("day", datetime.now(UTC).date().isoformat())
    return table


def _pairs(value: object) -> bool:
    return isinstance(value, list) and any(isinstance(item, list) for item in value)


def _checked_pairs(value: object) -> list[tuple[str, int]]:
    try:
        return [(str(sha256), int(row)) for sha256, row in value]  # type: ignore[attr-defined]
    except (TypeError, ValueError) as error:
        raise InputError(
            "shots are pairs of the upload's SHA-256 and the row.",
            where="shots",
            remedy="Choose shots on the sheet, then make the list.",
        ) from error


def _metres(value: object) -> float:
    if isinstance(value, int | float) and 0 < value < 1e6:
        return float(value)
    raise InputError(
        "the distance along the line is no number of metres.", where="every", remedy="Give one."
    )
