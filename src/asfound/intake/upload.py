"""An upload read by its mapping: shots, sweeps, and an account of every row."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from asfound.errors import AmbiguityError, InputError, SettingsError
from asfound.intake.frames import FrameFacts, frame_facts
from asfound.intake.mapping import Mapping
from asfound.intake.nmea import read_log
from asfound.intake.open_questions import open_questions
from asfound.intake.raw import Data, digest, raw_size
from asfound.intake.reports import Reporter
from asfound.intake.requirements import check_mapping
from asfound.intake.row_blocks import BadRow
from asfound.intake.shot_cells import ShotsBuilder
from asfound.intake.sweep_cells import SweepsBuilder
from asfound.intake.tables import Table, open_table
from asfound.intake.track import Track, track_of
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
    reporter = Reporter(name)
    if mapping.format == "nmea":
        found = _read_track_as_shots(data, name, facts, reporter, source_index)
    else:
        table = open_table(data, name, mapping, reporter)
        check_mapping(mapping, facts, name, located=table.located)
        remarks = Reporter(_track_name(track, name))
        if mapping.kind == "sweeps":
            found = _read_sweeps(table, SweepsBuilder(mapping, facts, reporter, source_index))
        else:
            positions = _positions(mapping, facts, name, track, remarks)
            builder = ShotsBuilder(mapping, facts, reporter, source_index, positions)
            found = _read_shots(table, builder)
        found.remarks = remarks.done()
    reports = reporter.done()
    reported = sum(not report.accepted for report in reports)
    readings = sum(len(sweep.value) for sweep in found.sweeps)
    account = RowAccount(name, found.rows, len(found.shots), readings, reported)
    if not account.balanced:
        raise AssertionError(f"rows were lost: {account}")
    source = Source(
        tag=tag,
        file=name,
        sha256=sha256.result()[0],
        size=sha256.result()[1],
        rows=found.rows,
        frame=mapping.frame,
        position_of=mapping.position_of,
        depth_to=mapping.depth_to,
        receiver=mapping.receiver,
        hookup=mapping.hookup,
        crew=mapping.crew,
        antenna_height=mapping.antenna_height,
        position_accuracy=mapping.position_accuracy,
        assumed=mapping.assumed,
    )
    return Upload(
        source,
        found.shots,
        found.sweeps,
        (*reports, *found.remarks),
        account,
        found.comment_lines,
        found.blank_lines,
    )


@dataclass
class _Found:
    """What a file held."""

    rows: int
    shots: Shots
    sweeps: tuple[Sweep, ...] = ()
    comment_lines: int = 0
    blank_lines: int = 0
    remarks: tuple[RowReport, ...] = ()


def _no_shots() -> Shots:
    return Shots.build(np.empty(0), np.empty(0))


def _read_shots(table: Table, builder: ShotsBuilder) -> _Found:
    for cells in table.blocks():
        builder.expected_rows = table.expected_rows
        builder.add(cells)
    shots = builder.done()
    return _Found(table.rows, shots, (), table.comment_lines, table.blank_lines)


def _read_sweeps(table: Table, builder: SweepsBuilder) -> _Found:
    for cells in table.blocks():
        builder.add(cells)
    sweeps = builder.done()
    return _Found(table.rows, _no_shots(), sweeps, table.comment_lines, table.blank_lines)


def _track_name(track: Data | None, name: str) -> str:
    return track.name if isinstance(track, Path) else f"track of {name}"


def _positions(
    mapping: Mapping, facts: FrameFacts, name: str, track: Data | None, remarks: Reporter
) -> Track | None:
    """The track that places readings without position; None for others."""
    if mapping.kind != "readings without position":
        return None
    if track is None:
        raise InputError(
            "the readings have no position, and no track is given.",
            where=name,
            remedy="Give the NMEA log of the same time with --track.",
        )
    if not facts.geographic:
        raise SettingsError(
            f"an NMEA log has degrees, but the frame '{mapping.frame.crs}' is a grid.",
            where=f"{name}, mapping, frame.crs",
            remedy="Declare the frame of the correction service, such as ITRF2020.",
        )
    log = read_log(track, remarks.file)
    found, bad = track_of(log, remarks.file)
    left_out = sorted((*log.bad, *bad), key=lambda item: item.line)
    reasons = [item.reason for item in left_out]
    remarks.remark(
        np.zeros(len(left_out), np.int64),
        np.array([item.line for item in left_out], np.int64),
        "track",
        "a line of the track is left out: {value}",
        "Nothing to mend; readings are placed by the other lines.",
        lambda part: reasons[part],
    )
    return found


def _read_track_as_shots(
    data: Data, name: str, facts: FrameFacts, reporter: Reporter, source_index: int
) -> _Found:
    """Every epoch of an NMEA log as a shot without reading."""
    log = read_log(data, name)
    track, without = track_of(log, name)
    bad = sorted((*log.bad, *without), key=lambda item: item.line)
    lines = np.sort(np.concatenate([track.line, [item.line for item in bad]]).astype(np.int64))
    numbers = np.searchsorted(lines, track.line) + 1
    for item in bad:
        row = int(np.searchsorted(lines, item.line)) + 1
        reporter.reject_bad_rows([BadRow(row, item.line, item.reason, item.remedy, item.text)])
    shots = Shots.build(
        track.longitude,
        track.latitude,
        source=source_index,
        row=numbers,
        line_number=track.line,
        **{
            column: getattr(track, column)
            for column in (
                "time", "height", "fix", "satellites", "hdop", "pdop", "correction_age",
                "east_sd", "north_sd", "up_sd", "speed",
            )
        },
    )  # fmt: skip
    if not facts.geographic:
        raise SettingsError(
            "an NMEA log has degrees, but the mapping's frame is a grid.",
            where=f"{name}, mapping, frame.crs",
            remedy="Declare the frame of the correction service, such as ITRF2020.",
        )
    return _Found(len(lines), shots)


def join_uploads(uploads: Sequence[Upload]) -> Intake:
    """All uploads of a job as one intake, in the order given."""
    for upload in uploads:
        if not upload.account.balanced:
            raise AssertionError(f"rows were lost: {upload.account}")
    return Intake(
        sources=tuple(upload.source for upload in uploads),
        shots=_all_shots(uploads),
        sweeps=tuple(sweep for upload in uploads for sweep in upload.sweeps),
        reports=tuple(
            replace(report, upload=upload.source.tag)
            for upload in uploads
            for report in upload.reports
        ),
        accounts=tuple(upload.account for upload in uploads),
    )


def _all_shots(uploads: Sequence[Upload]) -> Shots:
    if not uploads:
        return Shots.build(np.empty(0), np.empty(0))
    if len(uploads) == 1:
        return uploads[0].shots  # a copy of a million shots would be a waste
    return Shots.join([upload.shots for upload in uploads])
