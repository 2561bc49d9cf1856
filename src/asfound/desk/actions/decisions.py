"""What people decide about shots and lines, and take back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from asfound.desk.actions.common import Done, after, reason
from asfound.desk.actions.uploads import find_upload
from asfound.desk.context import Desk
from asfound.desk.guard import Identity
from asfound.desk.problems import Refused
from asfound.desk.roles import REVIEWER, may
from asfound.errors import InputError
from asfound.job import check_decision
from asfound.model import Decision, ShotKey
from asfound.store import Entry, HeadMovedError, KeyReusedError, UnknownError

VERDICT_KINDS = ("accept", "reject")
_MOST_TRIES = 20


def decide(
    desk: Desk,
    identity: Identity,
    job: str,
    kind: str,
    shots: Sequence[ShotKey],
    *,
    why: str,
    value: str = "",
    key: str | None = None,
) -> tuple[Done, str]:
    """Put a decision on the ledger.

    Returns
    -------
    done : Done
    id : str
        The decision's.

    Raises
    ------
    InputError
        If something about it is wrong.
    Refused
        If the role doesn't allow this kind.
    """
    if kind in VERDICT_KINDS and not may(identity.role, REVIEWER):
        raise Refused(
            403,
            f"A {identity.role} may not accept or reject shots.",
            "Ask a reviewer; what speaks for it can be put in the reason.",
            "kind",
        )
    body: dict[str, Any] = {
        "kind": kind,
        "shots": [[shot.upload, shot.row] for shot in shots],
        "value": " ".join(value.split()),
        "why": reason(why),
    }
    wrong = check_decision(
        Decision("d0", kind, tuple(shots), identity.who, datetime.now(UTC), why, body["value"])
    )
    if wrong:
        raise InputError(
            f"the decision can't be taken: {wrong}.",
            where=_field_of(wrong),
            remedy="Give what is missing.",
        )
    state = desk.state(job)
    for sha256 in {shot.upload for shot in shots}:
        find_upload(state, sha256)
    entry = _append_numbered(desk, identity, job, body, key)
    return after(desk, entry), str(entry.payload["id"])


def _field_of(wrong: str) -> str:
    if "shot" in wrong:
        return "shots"
    return "kind" if "there is no decision" in wrong else "value"


def _append_numbered(
    desk: Desk, identity: Identity, job: str, body: dict[str, Any], key: str | None
) -> Entry:
    """A decision is called by the entry that made it: d17 is entry 17."""
    for _ in range(_MOST_TRIES):
        if key is not None:
            first = desk.store.entry_by_key(job, identity.who, key)
            if first is not None:
                if first.action != "decision" or {**first.payload, "id": None} != {
                    **body,
                    "id": None,
                }:
                    raise KeyReusedError(
                        f"the key {key!r} was used for something else (entry {first.sequence}).",
                        where="Idempotency-Key",
                        remedy="Use a new key for every new request.",
                    )
                return first
        head = desk.store.head(job).size
        try:
            return desk.store.append(
                job,
                identity.who,
                "decision",
                {**body, "id": f"d{head + 1}"},
                key=key,
                expected_head=head,
            )
        except HeadMovedError:
            continue
    raise Refused(503, "Others write to this job all the time.", "Try again.")


def undo(
    desk: Desk, identity: Identity, job: str, decision: str, why: str, *, key: str | None = None
) -> Done:
    """Take a decision back; both stay in the ledger."""
    known = next((one for one in desk.state(job).decided if one.decision.id == decision), None)
    if known is None:
        raise UnknownError(
            f"the job has no decision '{decision}'.",
            where="decision",
            remedy="The list of decisions has all.",
        )
    if known.decision.kind in VERDICT_KINDS and not may(identity.role, REVIEWER):
        raise Refused(403, f"A {identity.role} may not take back what a reviewer decided.")
    payload = {"id": decision, "why": reason(why)}
    if known.undone is not None:
        if key is not None and desk.store.entry_by_key(job, identity.who, key) is not None:
            return Done(desk.store.append(job, identity.who, "decision-undone", payload, key=key))
        raise UnknownError(
            f"decision {decision} was taken back before.",
            where="decision",
            remedy="Nothing is left to do.",
        )
    return after(desk, desk.store.append(job, identity.who, "decision-undone", payload, key=key))
