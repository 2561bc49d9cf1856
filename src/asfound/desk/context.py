"""What the desk's parts share: settings, database, raw files, states and results at hand."""

from __future__ import annotations

import pickle
import shutil
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from asfound.desk.blobs import Blobs
from asfound.desk.config import DeskConfig
from asfound.desk.state import JobState, fold
from asfound.errors import InputError
from asfound.store import Store, UnknownError, open_store, read_key

if TYPE_CHECKING:
    from asfound.model import Results

_STATES_AT_HAND = 64
_RESULTS_AT_HAND = 4
_LEFT = 3600.0
"""A temporary file this old [s] belongs to no one who is still at work."""


@dataclass
class Desk:
    """A desk at work; used by many threads at once.

    Parameters
    ----------
    config : DeskConfig
    store : Store
    blobs : Blobs
    """

    config: DeskConfig
    store: Store
    blobs: Blobs
    _states: OrderedDict[str, JobState] = field(default_factory=OrderedDict)
    _results: OrderedDict[tuple[Path, int], Any] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _loading: threading.Lock = field(default_factory=threading.Lock)

    def places(self, job: str) -> JobPlaces:
        """Where a job's files lie.

        Raises
        ------
        UnknownError
            If there is no such job.
        """
        return JobPlaces(self.config.jobs / self.store.job(job).id)

    def state(self, job: str) -> JobState:
        """A job's state at the head of its ledger.

        Raises
        ------
        UnknownError
            If there is no such job.
        """
        with self._lock:
            start = self._states.get(job)
        entries = self.store.entries(job, after=start.head if start else 0)
        state = fold(entries, start)
        if not state.head:
            self.store.job(job)
        with self._lock:
            known = self._states.get(job)
            if known is None or known.head < state.head:
                self._states[job] = state
            self._states.move_to_end(job)
            while len(self._states) > _STATES_AT_HAND:
                self._states.popitem(last=False)
        return state

    def state_at(self, job: str, head: int) -> JobState:
        """A job's state after its first `head` entries.

        Raises
        ------
        UnknownError
            If the job has fewer.
        """
        state = fold(self.store.entries(job, before=head + 1))
        if head < 1 or state.head != head:
            raise UnknownError(
                f"the job has no entry {head}.", where="head", remedy="The ledger lists them."
            )
        return state

    def results(self, job: str) -> Results:
        """Results of the last processing.

        Raises
        ------
        UnknownError
            If the job has not been processed yet.
        """
        return self.results_in(self.places(job).current)

    def results_in(self, folder: Path) -> Results:
        """Results kept in a folder by the worker.

        Raises
        ------
        UnknownError
            If there are none, or of another version.
        """
        path = folder.resolve() / "results.pickle"
        try:
            stamp = path.stat().st_mtime_ns
        except OSError:
            raise not_processed() from None
        with self._lock:
            if (path, stamp) in self._results:
                self._results.move_to_end((path, stamp))
                found: Results = self._results[path, stamp]
                return found
        # One at a time: ten who ask at once for the same job should load it once.
        with self._loading:
            with self._lock:
                if (path, stamp) in self._results:
                    again: Results = self._results[path, stamp]
                    return again
            loaded = load_results(path)
            with self._lock:
                self._results[path, stamp] = loaded
                while len(self._results) > _RESULTS_AT_HAND:
                    self._results.popitem(last=False)
        return loaded

    def clear_leftovers(self) -> None:
        """Remove what was half written when a process was killed; no record is among it."""
        before = time.time() - _LEFT
        for folder, pattern in (
            (self.config.blobs, ".part-*"),
            (self.config.releases, ".part-*"),
            (self.config.jobs, "*/release-*"),
        ):
            for path in folder.glob(pattern):
                try:
                    if path.lstat().st_mtime < before:
                        shutil.rmtree(path) if path.is_dir() else path.unlink()
                except OSError:
                    continue  # It only takes room.


@dataclass(frozen=True)
class JobPlaces:
    """Where the derived files of a job lie; all of it can be made again from the ledger."""

    folder: Path

    @property
    def work(self) -> Path:
        """The folder that the command line would work on."""
        return self.folder / "folder"

    @property
    def states(self) -> Path:
        """Results of the last processings, one folder each."""
        return self.folder / "states"

    @property
    def current(self) -> Path:
        """Link to the newest of them."""
        return self.folder / "current"

    @property
    def view(self) -> Path:
        """What the job page reads."""
        return self.current / "view"

    @property
    def out(self) -> Path:
        """Outputs of the last processing."""
        return self.current / "out"


def open_desk(config: DeskConfig) -> Desk:
    """A desk over its folder and database, which are made where they are missing.

    Raises
    ------
    InputError, StoreError
        If the folder can't be written to, or the database can't be used.
    """
    try:
        for folder in (config.data, config.blobs, config.jobs, config.releases, config.grids):
            folder.mkdir(parents=True, exist_ok=True, mode=0o750)
    except OSError as error:
        raise InputError(
            f"the desk's folder can't be made: {error.strerror or error}.",
            where=str(config.data),
            remedy="Check its permissions and the free space, or name another with --data.",
        ) from error
    key = read_key(config.signing_key, create=True)
    store = open_store(config.database_address, signing_key=key)
    return Desk(config, store, Blobs(config.blobs))


def not_processed() -> UnknownError:
    """What is said where there are no results yet."""
    return UnknownError(
        "the job has not been processed yet.",
        where="job",
        remedy="Add uploads, then process it; results appear when it is done.",
    )


def save_results(path: Path, results: Results) -> None:
    """Keep results for questions about single shots; only the desk's own process reads them."""
    from asfound import __version__
    from asfound.files import write_whole

    write_whole(path, pickle.dumps((__version__, results), protocol=5))


def load_results(path: Path) -> Results:
    """Results as `save_results` kept them.

    Raises
    ------
    UnknownError
        If they were kept by another version.
    """
    from asfound import __version__

    try:
        version, results = pickle.loads(path.read_bytes())
    except (OSError, pickle.UnpicklingError, AttributeError, ImportError, EOFError, TypeError):
        raise not_processed() from None
    if version != __version__:
        raise not_processed()
    found: Results = results
    return found
