"""Digs, exposures, lines from records, and stakeout lists."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from collections.abc import Mapping as Dictionary
from pathlib import Path
from typing import Any, TypeVar

import tomli_w

from asfound.desk.actions.common import Done, after, reason
from asfound.desk.context import Desk
from asfound.desk.guard import Identity
from asfound.desk.state import DIG_KINDS, called, dig_tree, with_dates
from asfound.errors import InputError, SettingsError
from asfound.folder import (
    JobFolder,
    read_dig_plan,
    read_stakeouts,
)
from asfound.job.digging import try_places
from asfound.model import Dig, RecordLine
from asfound.store import UnknownError

A = TypeVar("A")
T = TypeVar("T")


def draw_dig(
    desk: Desk,
    identity: Identity,
    job: str,
    kind: str,
    table: Dictionary[str, Any],
    *,
    key: str | None = None,
) -> Done:
    """Draw a dig or enter an exposure; one of the same kind and name is replaced.

    Parameters
    ----------
    kind : str
        trench, bore, pit, post, exposure, record (a line known from records), searched (an
        area), require or advice.
    table : dict
        Keys of a table of `digs.toml`, lengths in metres, days as ISO text.
    """
    if kind not in DIG_KINDS:
        raise InputError(
            f"'{kind}' is no kind of dig.", where="kind", remedy=f"Known: {', '.join(DIG_KINDS)}."
        )
    kept = {name: value for name, value in table.items() if value is not None}
    state = desk.state(job)
    others = [one for one in state.digs.get(kind, ()) if called(one) != called(kept)]
    tree = _dated(dig_tree, {**state.digs, kind: [*others, kept]})
    plan = _try_file("digs.toml", tree, read_dig_plan, state.settings)
    _place(
        desk,
        job,
        [dig for dig in plan.digs if dig.name == called(kept)],
        [line for line in plan.records if kind == "record" and line.name == called(kept)],
    )
    payload = {"kind": kind, "table": kept}
    return after(desk, desk.store.append(job, identity.who, "dig-drawn", payload, key=key))


def _dated(make: Callable[[A], dict[str, Any]], value: A) -> dict[str, Any]:
    """What `make` gives; days that are none are said."""
    try:
        return make(value)
    except ValueError as error:
        raise InputError(
            f"a day can't be read: {error}.", where="when", remedy="Write it as 2026-11-17."
        ) from error


def _place(desk: Desk, job: str, digs: Sequence[Dig], records: Sequence[RecordLine]) -> None:
    """Try them on the ground as the last results have it: what floats would stop the job."""
    try:
        results = desk.results(job)
    except UnknownError:
        return
    try_places(results, digs, records)


def _try_file(name: str, tree: dict[str, Any], read: Callable[[JobFolder], T], settings: str) -> T:
    """Read what would be written, so that a form's slip is said now and beside its field."""
    try:
        text = tomli_w.dumps(tree)
    except (TypeError, ValueError) as error:
        raise InputError(
            "a value is neither text, number, list nor day.",
            where=name,
            remedy="Give simple values only.",
        ) from error
    with tempfile.TemporaryDirectory(prefix="asfound-") as folder:
        (Path(folder) / name).write_text(text, "utf-8", "replace")
        (Path(folder) / "job.toml").write_text(settings, "utf-8")
        try:
            return read(JobFolder(Path(folder)))
        except (InputError, SettingsError) as error:
            where = error.where.replace(f"{folder}/", "").replace(folder, "")
            raise type(error)(error.what, where=where, remedy=error.remedy) from error


def remove_dig(
    desk: Desk,
    identity: Identity,
    job: str,
    kind: str,
    name: str,
    why: str,
    *,
    key: str | None = None,
) -> Done:
    """Take a dig or an exposure out; the ledger keeps that it was there."""
    if not any(called(table) == name for table in desk.state(job).digs.get(kind, ())):
        raise UnknownError(
            f"the job has no {kind} '{name}'.", where="name", remedy="The list of digs has all."
        )
    payload = {"kind": kind, "name": name, "why": reason(why)}
    return after(desk, desk.store.append(job, identity.who, "dig-removed", payload, key=key))


def choose_stakeout(
    desk: Desk,
    identity: Identity,
    job: str,
    name: str,
    table: Dictionary[str, Any] | None,
    *,
    key: str | None = None,
) -> Done:
    """Put a stakeout list on file, or take it out (`table` None)."""
    name = " ".join(name.split())
    if table is None:
        if not any(str(one.get("name")) == name for one in desk.state(job).stakeouts):
            raise UnknownError(
                f"the job has no stakeout list '{name}'.", where="name", remedy="See the lists."
            )
        payload: dict[str, Any] = {"name": name, "table": None}
    else:
        kept = {k: v for k, v in table.items() if v is not None and k != "name"}
        tree = {"list": [{"name": name, **_dated(with_dates, kept)}]}
        _try_file("stakeout.toml", tree, read_stakeouts, desk.state(job).settings)
        payload = {"name": name, "table": kept}
    return after(desk, desk.store.append(job, identity.who, "stakeout-chosen", payload, key=key))
