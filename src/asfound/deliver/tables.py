"""All tables of a hand-over, by name."""

from __future__ import annotations

from asfound.deliver.accuracy_columns import CHECKS, QUALITY_LEVELS
from asfound.deliver.columns import Table
from asfound.deliver.dig_columns import APPROACHES, DIGS, EXPOSURES, HOLE_ADVICE
from asfound.deliver.finding_columns import FINDINGS, ROWS
from asfound.deliver.line_columns import CROSSINGS, LINES
from asfound.deliver.shot_columns import SHOTS
from asfound.deliver.sweep_columns import CONDUCTORS, SWEEPS

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        SHOTS,
        LINES,
        CROSSINGS,
        SWEEPS,
        CONDUCTORS,
        CHECKS,
        QUALITY_LEVELS,
        DIGS,
        APPROACHES,
        EXPOSURES,
        HOLE_ADVICE,
        FINDINGS,
        ROWS,
    )
}

__all__ = [
    "APPROACHES",
    "CHECKS",
    "CONDUCTORS",
    "CROSSINGS",
    "DIGS",
    "EXPOSURES",
    "FINDINGS",
    "HOLE_ADVICE",
    "LINES",
    "QUALITY_LEVELS",
    "ROWS",
    "SHOTS",
    "SWEEPS",
    "TABLES",
]
