"""An upload read by its mapping: shots, sweeps, and an account of every row."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from asfound.errors import AmbiguityError, InputError
from asfound.intake.delimited import DelimitedTable
from asfound.intake.frames import frame_facts
from asfound.intake.mapping import Mapping
from asfound.intake.open_questions import open_questions
from asfound.intake.raw import Data, digest, raw_size
from asfound.intake.reports import Reporter
from asfound.intake.requirements import check_mapping
from asfound.intake.shot_cells import ShotsBuilder
from asfound.intake.sweep_cells import SweepsBuilder
from asfound.model import Intake, RowAccount, RowReport, Shots, Source, Sweep


@dataclass(frozen=True, eq=False)
class Upload:
    """One upload, read.

    Parameters
    ----------
    source : Source
    shots : Shots
    sweeps : tuple of Sweep
    reports : tuple of RowReport
        One for each row that did not become a shot or a sweep reading, and remarks on rows
        that did.
    account : RowAccount
        Balanced: every row is a shot, a sweep reading, or reported.
    comment_lines, blank_lines : int
        Lines that are not rows.
    """

    source: Source
    shots: Shots
    sweeps: tuple[Sweep, ...]
    reports: tuple[RowReport, ...]
    account: RowAccount
    comment_lines: int = 0
    blank_lines: int = 0


def read_upload(
    data: Data,
    name: str,
    mapping: Mapping,
    *,
    tag: str,
    source_index: int,
    track: Data | None = None,
) -> Upload:
    """Read an upload.

    Parameters
    ----------
    data : bytes or Path
        The raw bytes, or the file that holds them.
    name : str
        Name as received; shown in reports, never opened.
    mapping : Mapping
        How to read it.
    tag, source_index : str, int
        Of the upload in its job.
    track : bytes, Path or None
        NMEA log with positions, for readings without position.

    Raises
    ------
    AmbiguityError
        If the mapping leaves a question open.
    InputError
        If the file as a whole can't be read.
    FrameError
        If the mapping's frame is unknown.
    """
    questions = open_questions(mapping)
    if questions:
        first = questions[0]
        raise AmbiguityError(f"{first.what} {first.why}".strip(), where=name, remedy=first.remedy)
    size = raw_size(data, where=name)
    if not size:
        raise InputError("the file is empty.", where=name, remedy="Export it again.")
    with ThreadPoolExecutor(1) as hasher:
        sha256 = hasher.submit(digest, data, where=name)
        return _read(data, name, mapping, tag, source_index, track, sha256)


def _read(
    data: Data,
    name: str,
    mapping: Mapping,
    tag: str,
    source_index: int,
    track: Data | None,
    sha256: Future[tuple[str, int]],
) -> Upload:
    facts = frame_facts(mapping.frame, where=f"{name}, mapping, frame.crs")
    check_mapping(mapping, facts, name, located=False)
    reporter = Reporter(name)
    table = DelimitedTable(data, name, mapping, reporter)
    shots = Shots.build(np.empty(0), np.empty(0))
    sweeps: tuple[Sweep, ...] = ()
    if mapping.kind == "sweeps":
        sweeps = _sweeps(table, SweepsBuilder(mapping, facts, reporter, source_index))
    else:
        builder = ShotsBuilder(mapping, facts, reporter, source_index)
        for cells in table.blocks():
            builder.expected_rows = table.expected_rows
            builder.add(cells)
        shots = builder.done()
    reports = reporter.done()
    reported = sum(not report.accepted for report in reports)
    readings = sum(len(sweep.value) for sweep in sweeps)
    account = RowAccount(name, table.rows, len(shots), readings, reported)
    if not account.balanced:
        raise AssertionError(f"rows were lost: {account}")
    source = Source(
        tag=tag,
        file=name,
        sha256=sha256.result()[0],
        size=sha256.result()[1],
        rows=table.rows,
        frame=mapping.frame,
        position_of=mapping.position_of,
        receiver=mapping.receiver,
        hookup=mapping.hookup,
        crew=mapping.crew,
        antenna_height=mapping.antenna_height,
        position_accuracy=mapping.position_accuracy,
    )
    return Upload(source, shots, sweeps, reports, account, table.comment_lines, table.blank_lines)


def _sweeps(table: DelimitedTable, builder: SweepsBuilder) -> tuple[Sweep, ...]:
    for cells in table.blocks():
        builder.add(cells)
    return builder.done()


def join_uploads(uploads: Sequence[Upload]) -> Intake:
    """All uploads of a job as one intake, in the order given."""
    for upload in uploads:
        if not upload.account.balanced:
            raise AssertionError(f"rows were lost: {upload.account}")
    return Intake(
        sources=tuple(upload.source for upload in uploads),
        shots=_all_shots(uploads),
        sweeps=tuple(sweep for upload in uploads for sweep in upload.sweeps),
        reports=tuple(report for upload in uploads for report in upload.reports),
        accounts=tuple(upload.account for upload in uploads),
    )


def _all_shots(uploads: Sequence[Upload]) -> Shots:
    if not uploads:
        return Shots.build(np.empty(0), np.empty(0))
    if len(uploads) == 1:
        return uploads[0].shots  # a copy of a million shots would be a waste
    return Shots.join([upload.shots for upload in uploads])
