"""What was logged by which receiver: from the ledgers of all jobs and their results."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from asfound.desk.context import Desk
from asfound.model import Results


def receivers_overview(desk: Desk) -> list[dict[str, Any]]:
    """Every receiver: its facts, and for each job how many shots it logged and when.

    Shots are those of the last processing; what was posted since counts as posted.
    """
    crews = {crew.id: crew.name for crew in desk.store.list_crews()}
    logged: dict[str, list[dict[str, Any]]] = {}
    for job in desk.store.list_jobs():
        for serial, work in _of_job(desk, job.id).items():
            logged.setdefault(serial, []).append({"job": job.id, "title": job.title, **work})
    made = []
    for receiver in desk.store.list_receivers():
        made.append(
            {
                "serial": receiver.serial,
                "note": receiver.note,
                "verified": receiver.verified.isoformat() if receiver.verified else None,
                "last_contact": receiver.last_contact.isoformat()
                if receiver.last_contact
                else None,
                "crew": crews.get(receiver.crew_id) if receiver.crew_id is not None else None,
                "jobs": logged.get(receiver.serial, []),
            }
        )
    return made


def _of_job(desk: Desk, job: str) -> dict[str, dict[str, Any]]:
    """Work of each receiver in a job."""
    work: dict[str, dict[str, Any]] = {}
    state = desk.state(job)
    for group, rows in state.posted.items():
        if rows:
            entry = work.setdefault(group.receiver, _nothing())
            entry["posted"] += len(rows)
    path = desk.places(job).current / "receivers.json"
    try:
        found: dict[str, dict[str, Any]] = json.loads(path.read_text())
    except (OSError, ValueError):
        found = {}
    for serial, facts in found.items():
        work[serial] = {**_nothing(), **work.get(serial, {}), **facts}
    return work


def _nothing() -> dict[str, Any]:
    return {"shots": 0, "first": None, "last": None, "uploads": [], "posted": 0}


def receivers_of(results: Results) -> dict[str, dict[str, Any]]:
    """How many shots each receiver logged, from when to when, in which uploads.

    Parameters
    ----------
    results : Results
    """
    shots, sources = results.intake.shots, results.intake.sources
    usual = np.array([source.receiver for source in sources] or [""], object)
    said = shots.receiver.words()
    serial = np.where(said == "", usual[shots.source], said) if len(shots) else said
    made = {}
    for name in sorted({str(one) for one in serial} - {""}):
        mine = serial == name
        times = shots.time[mine]
        known = times[~np.isnat(times)]
        made[name] = {
            "shots": int(np.count_nonzero(mine)),
            "first": f"{np.datetime_as_string(known.min(), unit='s')}Z" if len(known) else None,
            "last": f"{np.datetime_as_string(known.max(), unit='s')}Z" if len(known) else None,
            "uploads": [sources[k].tag for k in np.unique(shots.source[mine]).tolist()],
        }
    return made
