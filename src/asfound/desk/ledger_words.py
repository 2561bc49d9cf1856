"""Entries of a ledger in sentences, for people."""

from __future__ import annotations

from typing import Any

from asfound.store import Entry

_SENTENCES = {
    "job-created": "Started the job.",
    "settings-changed": "Changed the settings.",
    "upload-added": "Added {name}.",
    "mapping-changed": "Changed how upload {sha256:.12} is read.",
    "upload-removed": "Took upload {sha256:.12} out: {why}",
    "shots-posted": "{count} shots came from receiver {receiver}.",
    "batch-sealed": "Froze the shots posted by {receiver} as {name}.",
    "decision": "{id}: {kind} {value} ({count} shots): {why}",
    "decision-undone": "Took {id} back: {why}",
    "dig-drawn": "Entered {kind} {name}.",
    "dig-removed": "Took {kind} {name} out: {why}",
    "stakeout-chosen": "Entered stakeout list {name}.",
    "processed": "Processed the entries up to {head}: {count} files.",
    "released": "Released {name}.",
}


def words_of_entry(entry: Entry) -> str:
    """What an entry did, in one sentence; its action where it is of a kind not known here."""
    known = _SENTENCES.get(entry.action)
    if known is None:
        return entry.action
    if entry.action == "stakeout-chosen" and not entry.payload.get("table"):
        known = "Took stakeout list {name} out."
    body: dict[str, Any] = {
        "count": next(
            (len(entry.payload[key]) for key in ("rows", "shots", "files") if key in entry.payload),
            0,
        ),
        "value": "",
        "why": "",
        "name": (entry.payload.get("table") or {}).get("name", ""),
        **entry.payload,
    }
    try:
        return " ".join(known.format_map(body).split()).replace(" .", ".")
    except (KeyError, ValueError, TypeError):
        return entry.action
