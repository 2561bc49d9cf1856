"""Results of a job as it stood at an entry of its ledger."""

from __future__ import annotations

import tempfile
import threading
from pathlib import Path

from asfound.desk.context import Desk, save_results
from asfound.desk.materialise import materialise
from asfound.errors import InputError
from asfound.folder import run_job
from asfound.model import Results
from asfound.store import UnknownError

_ONE_AT_A_TIME = threading.Lock()


def results_at(desk: Desk, job: str, head: int) -> Results:
    """Results of the first `head` entries: those kept, or made again.

    Raises
    ------
    UnknownError
        If the ledger has no such entry.
    InputError
        If there was nothing to process by then.
    """
    state = desk.state_at(job, head)
    places = desk.places(job)
    kept = places.folder / "compared" / str(state.changed_at)
    candidates = [kept, *sorted(places.states.glob(f"{state.changed_at}-*"))]
    for folder in candidates:
        try:
            return desk.results_in(folder)
        except UnknownError:
            continue
    if not state.current:
        raise InputError(
            f"entry {head} is before the first upload.", where="a", remedy="Choose a later one."
        )
    with _ONE_AT_A_TIME, tempfile.TemporaryDirectory(prefix="asfound-") as place:
        made = materialise(state, desk.blobs, Path(place), grids=desk.config.grids)
        results = run_job(made.path)
        save_results(kept / "results.pickle", results)
    return results
