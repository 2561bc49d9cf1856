"""All tables of a hand-over, by name."""

from __future__ import annotations

from asfound.deliver.columns import Table
from asfound.deliver.finding_columns import FINDINGS, ROWS
from asfound.deliver.line_columns import CROSSINGS, LINES
from asfound.deliver.shot_columns import SHOTS

TABLES: dict[str, Table] = {
    table.name: table for table in (SHOTS, LINES, CROSSINGS, FINDINGS, ROWS)
}

__all__ = ["CROSSINGS", "FINDINGS", "LINES", "ROWS", "SHOTS", "TABLES"]
