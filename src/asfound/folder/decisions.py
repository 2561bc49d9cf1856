"""`decisions.toml`: what people decided about shots and lines, and what they took back."""

from __future__ import annotations

import getpass
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import tomli_w

from asfound.errors import InputError, SettingsError
from asfound.files import write_whole
from asfound.folder.layout import JobFolder
from asfound.folder.settings import Table, tables_of, text
from asfound.folder.uploads import list_uploads
from asfound.job import check_decision
from asfound.model import Decision, ShotKey

_HEAD = (
    "# What people decided about shots and lines. The raw files stay as they are; "
    "nothing is taken out here,\n# a decision taken back says so.\n"
)
_SHOT = re.compile(r"([0-9a-f]{64}):([0-9]{1,9})")
_NAME = re.compile(r"([A-Za-z]{1,3})-([0-9]{1,9})")


@dataclass(frozen=True)
class Undone:
    """A decision that was taken back."""

    who: str
    when: datetime
    why: str


@dataclass(frozen=True)
class Decided:
    """A decision on file; `undone` where it was taken back."""

    decision: Decision
    undone: Undone | None = None


def decisions_file(folder: JobFolder) -> Path:
    """Where decisions stand."""
    return folder.path / "decisions.toml"


def list_decisions(folder: JobFolder) -> tuple[Decided, ...]:
    """All decisions of a job, those taken back too, in the order they were made.

    Raises
    ------
    SettingsError
        If `decisions.toml` can't be used.
    """
    return tuple(_decided(table) for table in tables_of(decisions_file(folder), "decision"))


def read_decisions(folder: JobFolder) -> tuple[Decision, ...]:
    """Decisions that stand.

    Raises
    ------
    SettingsError
        If `decisions.toml` can't be used.
    """
    return tuple(item.decision for item in list_decisions(folder) if item.undone is None)


def decisions_text(decided: Sequence[Decided]) -> str:
    """The text of a `decisions.toml`."""
    return _HEAD + tomli_w.dumps({"decision": [_tree(item) for item in decided]})


def add_decision(
    folder: JobFolder,
    kind: str,
    shots: Sequence[ShotKey],
    *,
    why: str,
    value: str = "",
    who: str = "",
    when: datetime | None = None,
) -> Decision:
    """Put a decision on file.

    Raises
    ------
    InputError
        If something about it is wrong; nothing is written then.
    """
    before = list_decisions(folder)
    decision = Decision(
        id=f"d{len(before) + 1}",
        kind=kind,
        shots=tuple(shots),
        who=who or login_name(),
        when=when or datetime.now(UTC).replace(microsecond=0),
        why=why,
        value=value,
    )
    wrong = check_decision(decision)
    if wrong:
        raise InputError(
            f"the decision can't be taken: {wrong}.",
            where=str(folder.path),
            remedy="Give what is missing; asfound decide --help shows how.",
        )
    _write(folder, (*before, Decided(decision)))
    return decision


def undo_decision(
    folder: JobFolder, name: str, *, why: str, who: str = "", when: datetime | None = None
) -> Decision:
    """Take a decision back; it stays on file with who took it back and why.

    Raises
    ------
    InputError
        If there is no such decision, it is undone already, or no reason is given.
    """
    before = list_decisions(folder)
    found = [k for k, item in enumerate(before) if item.decision.id == name]
    if found and before[found[0]].undone is not None:
        undone = before[found[0]].undone
        assert undone is not None
        raise InputError(
            f"decision {name} is taken back already, by {undone.who or 'someone'}: {undone.why}.",
            where=str(decisions_file(folder)),
            remedy="Nothing needs doing; to decide the same anew use asfound decide.",
        )
    if not found:
        raise InputError(
            f"there is no decision {name} to take back.",
            where=str(decisions_file(folder)),
            remedy=f"asfound decisions {folder.path} lists them.",
        )
    if not why.strip():
        raise InputError(
            "a reason is needed.", where=str(folder.path), remedy="Say why: --why TEXT"
        )
    undone = Undone(who or login_name(), when or datetime.now(UTC).replace(microsecond=0), why)
    after = list(before)
    after[found[0]] = Decided(before[found[0]].decision, undone)
    _write(folder, after)
    return before[found[0]].decision


def shot_keys(folder: JobFolder, names: Sequence[str]) -> tuple[ShotKey, ...]:
    """Shots by their names in the job: ``A-17``, and ranges of rows: ``A-17..A-30``.

    Raises
    ------
    InputError
        If a name can't be read or its upload is not there.
    """
    uploads = {record.tag: record.sha256 for record in list_uploads(folder)}
    keys: list[ShotKey] = []
    for name in names:
        first, dots, last = name.partition("..")
        tag, start = _split_name(first, folder, uploads)
        end_tag, end = _split_name(last, folder, uploads) if dots else (tag, start)
        if end_tag != tag or end < start:
            raise InputError(
                f"{name} is no range of one upload's rows.",
                where=str(folder.path),
                remedy="Write the lower row first: A-17..A-30",
            )
        keys += [ShotKey(uploads[tag], row) for row in range(start, end + 1)]
    return tuple(dict.fromkeys(keys))


def _split_name(name: str, folder: JobFolder, uploads: dict[str, str]) -> tuple[str, int]:
    match = _NAME.fullmatch(name.strip())
    if match is None or match[1].upper() not in uploads:
        raise InputError(
            f"{name!r} is no shot of this job.",
            where=str(folder.path),
            remedy="Shots are called upload-row, such as A-17; uploads: "
            f"{', '.join(uploads) or 'none yet'}.",
        )
    return match[1].upper(), int(match[2])


def login_name() -> str:
    """Who is logged in, as far as the system says."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


def _write(folder: JobFolder, decided: Sequence[Decided]) -> None:
    write_whole(decisions_file(folder), decisions_text(decided).encode())


def _tree(item: Decided) -> dict[str, Any]:
    decision = item.decision
    tree: dict[str, Any] = {
        "id": decision.id,
        "kind": decision.kind,
        "shots": [f"{key.upload}:{key.row}" for key in decision.shots],
    }
    if decision.value:
        tree["value"] = decision.value
    tree |= {"who": decision.who, "when": decision.when, "why": decision.why}
    if item.undone is not None:
        undone = item.undone
        tree["undone"] = {"who": undone.who, "when": undone.when, "why": undone.why}
    return tree


def _moment(value: Any) -> datetime:
    if not isinstance(value, datetime) or value.tzinfo is None:
        raise TypeError("a time with its zone, such as 2026-11-17T14:00:00Z, is needed")
    return value


def _shots(value: Any) -> tuple[ShotKey, ...]:
    if not isinstance(value, list):
        raise TypeError("a list of shots is needed")
    keys = []
    for word in value:
        match = _SHOT.fullmatch(str(word))
        if match is None:
            raise ValueError(f"{word!r} is not SHA-256:row")
        keys.append(ShotKey(match[1], int(match[2])))
    return tuple(keys)


def _decided(table: Table) -> Decided:
    decision = Decision(
        id=table.take("id", text),
        kind=table.take("kind", text),
        shots=table.take("shots", _shots),
        who=table.take("who", text),
        when=table.take("when", _moment),
        why=table.take("why", text),
        value=table.take("value", text, ""),
    )
    wrong = check_decision(decision)
    if wrong:
        raise SettingsError(
            f"decision {decision.id} can't be used: {wrong}.",
            where=table.where,
            remedy="Correct it, or undo it with: asfound undo",
        )
    undone = None
    table.asked.add("undone")
    if "undone" in table.values:
        under = Table(table.values["undone"], f"{table.where}, undone")
        undone = Undone(
            under.take("who", text), under.take("when", _moment), under.take("why", text)
        )
        under.done()
    table.done()
    return Decided(decision, undone)
