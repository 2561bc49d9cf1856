"""Reports of rows: gathered check by check over arrays, made into records at the end."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from asfound.intake.limits import REMARKS_A_KIND
from asfound.intake.row_blocks import BadRow
from asfound.model import RowReport

Integers = npt.NDArray[np.integer]


@dataclass(frozen=True, eq=False)
class _Batch:
    row: Integers
    line: Integers
    field: str
    reason: str
    remedy: str
    values: Sequence[str]
    accepted: bool


class Reporter:
    """Gathers what is to be said of rows.

    A reason may hold ``{value}``, which stands for the cell. A row that is rejected for several
    reasons gets one report with all of them.
    """

    def __init__(self, file: str) -> None:
        self.file = file
        self._batches: list[_Batch] = []
        self._remarks: dict[tuple[str, str], int] = {}
        self._last: dict[tuple[str, str], _Batch] = {}

    def reject(
        self,
        row: Integers,
        line: Integers,
        field: str,
        reason: str,
        remedy: str,
        values: Sequence[str],
    ) -> None:
        """Rows that can't be used."""
        if len(row):
            self._batches.append(_Batch(row, line, field, reason, remedy, values, False))

    def reject_bad_rows(self, bad: Sequence[BadRow]) -> None:
        """Rows that could not even be cut into columns."""
        for reason, remedy in dict.fromkeys((item.reason, item.remedy) for item in bad):
            same = [item for item in bad if item.reason == reason and item.remedy == remedy]
            row = np.array([item.row for item in same])
            line = np.array([item.line for item in same])
            self.reject(row, line, "", reason, remedy, [item.text for item in same])

    def remark(
        self,
        row: Integers,
        line: Integers,
        field: str,
        reason: str,
        remedy: str,
        show: Callable[[slice], Sequence[str]],
    ) -> None:
        """Rows that are used all the same; of each kind the first `REMARKS_A_KIND` are listed.

        `show` gives the cells of a part of the rows: not all of them will be wanted.
        """
        if not len(row):
            return
        key = (field, reason)
        before = self._remarks.get(key, 0)
        self._remarks[key] = before + len(row)
        room = max(0, REMARKS_A_KIND - before)
        if room:
            self._batches.append(
                _Batch(row[:room], line[:room], field, reason, remedy, show(slice(0, room)), True)
            )
        if len(row) > room:
            last = slice(len(row) - 1, len(row))
            self._last[key] = _Batch(row[last], line[last], field, reason, remedy, show(last), True)

    def done(self) -> tuple[RowReport, ...]:
        """All reports in order of rows."""
        rejected = self._rejected()
        gone = {report.row for report in rejected}
        remarks = [report for report in self._accepted() if report.row not in gone]
        self._batches, self._last = [], {}
        if not remarks:
            return tuple(rejected)
        return tuple(sorted([*rejected, *remarks], key=lambda r: (r.row, r.accepted)))

    def _rejected(self) -> list[RowReport]:
        """One report for each rejected row, with all its reasons."""
        batches = [batch for batch in self._batches if not batch.accepted]
        if not batches:
            return []
        rows = np.concatenate([batch.row for batch in batches])
        lines = np.concatenate([batch.line for batch in batches]).tolist()
        of_batch = np.repeat(np.arange(len(batches)), [len(b.row) for b in batches]).tolist()
        values = [value for batch in batches for value in batch.values]
        # The same sentence for all rows of a batch is one string, not a million.
        same = ["" if "{value}" in b.reason else _sentence(b.reason, "") for b in batches]
        order = np.argsort(rows, kind="stable")
        rows = rows[order].tolist()
        reports: list[RowReport] = []
        before = -1
        for row, k in zip(rows, order.tolist(), strict=True):
            batch, value = batches[of_batch[k]], values[k]
            reason = same[of_batch[k]] or _sentence(batch.reason, value)
            if row == before:
                reports[-1] = _with_another(reports[-1], reason, batch.remedy)
                continue
            before = row
            reports.append(
                RowReport(self.file, row, lines[k], reason, batch.remedy, batch.field, value)
            )
        return reports

    def _accepted(self) -> list[RowReport]:
        """Remarks on accepted rows, and one for each kind that sums up what is not listed."""
        reports = [
            self._remark_of(batch, row, line, batch.reason, value)
            for batch in self._batches
            if batch.accepted
            for row, line, value in zip(
                batch.row.tolist(), batch.line.tolist(), batch.values, strict=True
            )
        ]
        for key, last in self._last.items():
            more = self._remarks[key] - REMARKS_A_KIND
            reason = f"{more} more rows up to here have this remark: {last.reason}"
            row, line = int(last.row[0]), int(last.line[0])
            reports.append(self._remark_of(last, row, line, reason, last.values[0]))
        return reports

    def _remark_of(self, batch: _Batch, row: int, line: int, reason: str, value: str) -> RowReport:
        text = _sentence(reason, value)
        return RowReport(self.file, row, line, text, batch.remedy, batch.field, value, True)


def _with_another(report: RowReport, reason: str, remedy: str) -> RowReport:
    """A report with one more reason and its remedy."""
    reason = report.reason if reason in report.reason else f"{report.reason} {reason}"
    remedy = report.remedy if remedy in report.remedy else f"{report.remedy} {remedy}"
    return replace(report, reason=reason, remedy=remedy)


def _sentence(text: str, value: str) -> str:
    """A reason with its value filled in, as a sentence."""
    filled = text.replace("{value}", value)
    return filled[:1].upper() + filled[1:]
