"""Reports of rows: gathered check by check over arrays, made into records at the end."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.intake.limits import REMARKS_A_KIND
from asfound.intake.rows import BadRow
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
        for item in bad:
            at = (np.array([item.row]), np.array([item.line]))
            self.reject(*at, "", item.reason, item.remedy, [item.text])

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
        rejected: dict[int, list[tuple[int, str, str, str, str]]] = {}
        reports: list[RowReport] = []
        for batch in self._batches:
            rows, lines = batch.row.tolist(), batch.line.tolist()
            for row, line, value in zip(rows, lines, batch.values, strict=True):
                reason = batch.reason.replace("{value}", value) if value else batch.reason
                if batch.accepted:
                    reports.append(self._remark_of(batch, row, line, reason, value))
                else:
                    rejected.setdefault(row, []).append(
                        (line, _sentence(reason), batch.remedy, batch.field, value)
                    )
        for key, last in self._last.items():
            more = self._remarks[key] - REMARKS_A_KIND
            reason = last.reason.replace("{value}", last.values[0])
            reports.append(
                self._remark_of(
                    last,
                    int(last.row[0]),
                    int(last.line[0]),
                    f"{more} more rows up to here have this remark: {reason}",
                    last.values[0],
                )
            )
        reports = [report for report in reports if report.row not in rejected]
        for row, found in rejected.items():
            reports.append(
                RowReport(
                    self.file,
                    row,
                    found[0][0],
                    " ".join(dict.fromkeys(reason for _, reason, *_ in found)),
                    " ".join(dict.fromkeys(remedy for _, _, remedy, *_ in found)),
                    found[0][3],
                    found[0][4],
                )
            )
        self._batches, self._last = [], {}
        reports.sort(key=lambda report: (report.row, report.accepted))
        return tuple(reports)

    def _remark_of(self, batch: _Batch, row: int, line: int, reason: str, value: str) -> RowReport:
        text = _sentence(reason)
        return RowReport(self.file, row, line, text, batch.remedy, batch.field, value, True)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
