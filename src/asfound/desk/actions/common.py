"""What all actions share: what came of one, reasons, and asking for processing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from asfound.desk.context import Desk
from asfound.errors import InputError
from asfound.store import Entry, Task

_LONGEST_WORDS = 2000


@dataclass(frozen=True)
class Done:
    """What came of an action: the ledger's entry, and the processing it caused."""

    entry: Entry
    task: Task | None = None

    def body(self) -> dict[str, Any]:
        """As the API says it."""
        return {
            "sequence": self.entry.sequence,
            "hash": self.entry.hash,
            "time": self.entry.time,
            "who": self.entry.who,
            "action": self.entry.action,
            "task": self.task.id if self.task else None,
        }


def after(desk: Desk, entry: Entry, *, process: bool = True) -> Done:
    if not (process and desk.config.auto_process):
        return Done(entry)
    state = desk.state(entry.job)
    if not state.current and not state.batches():
        return Done(entry)
    return Done(entry, desk.store.enqueue(entry.job, "process", state.head))


def process(desk: Desk, job: str) -> Task:
    """Ask for a job to be processed as it stands now.

    Raises
    ------
    InputError
        If it has nothing to process.
    """
    state = desk.state(job)
    if not state.current and not state.batches():
        raise InputError(
            "the job has no uploads yet.", where="job", remedy="Add the receivers' files first."
        )
    return desk.store.enqueue(job, "process", state.head)


def reason(why: str) -> str:
    """A reason, on one line.

    Raises
    ------
    InputError
        If there is none.
    """
    words = " ".join(why.split())
    if not words:
        raise InputError("a reason is needed.", where="why", remedy="Say why, in a few words.")
    if len(words) > _LONGEST_WORDS:
        raise InputError(
            f"the reason is longer than {_LONGEST_WORDS} characters.",
            where="why",
            remedy="Shorten it.",
        )
    return words
