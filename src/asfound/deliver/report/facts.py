"""What the report says in words and small tables, made from the results."""

from __future__ import annotations

import re
from itertools import zip_longest
from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.budget import NORMAL_95
from asfound.deliver.about import INVENTED, plural, verdict_counts
from asfound.deliver.columns import Value, cells
from asfound.deliver.delivery import Delivery
from asfound.deliver.finding_columns import plain_number
from asfound.deliver.symbols import hex_colour
from asfound.deliver.tables import LINES
from asfound.model import BudgetTerm, Severity, Source, Verdict

Floats = npt.NDArray[np.float64]
MOST_CROSSINGS = 200
_LONGEST = 400
_RUN = re.compile(r"\S{33,}")
# Scripts that no typeface of the `typst` package has: each was set and looked at.
_UNDRAWN = re.compile(
    "[\u0700-\u089f\u0980-\u0e7f\u0f00-\u109f\u1100-\u139f\u1400-\u1cff\u2e80-\ua63f"
    "\ua800-\ud7ff\uf900-\ufaff\uff01-\uffdc\U0001f000-\U0003ffff]"
)


def clean(words: object, longest: int = _LONGEST) -> str:
    """Text fit for print: one line, printable, long runs breakable, very long text cut."""
    line = " ".join(str(words).split())
    line = "".join(c if c.isprintable() else "\ufffd" for c in line)
    if len(line) > longest:
        line = line[: longest - 1] + "\u2026"
    # A zero-width space every 24 characters lets a run without blanks break at a margin.
    return _RUN.sub(lambda m: "\u200b".join(re.findall(".{1,24}", m.group())), line)


def undrawn(words: str) -> str:
    """What page 1 says if the report can't draw some signs of a text; empty if it draws all."""
    if _UNDRAWN.search(words) is None:
        return ""
    return (
        "An empty box in a name stands for a sign of a script that this report's typefaces do "
        "not have. Names and notes stand whole in the CSV and map files and in results.json."
    )


def quantity(delivery: Delivery, metres: float, decimals: int = 3) -> str:
    """A length in the job's unit with its symbol; a dash if not known."""
    unit = delivery.about.unit
    if not np.isfinite(metres):
        return "\u2013"
    return f"{metres / unit.metres:.{decimals}f} {unit.symbol}"


def cover(delivery: Delivery) -> dict[str, Any]:
    """Title, facts and summary of the first page."""
    settings, about = delivery.results.settings, delivery.about
    facts = [
        ("Place", settings.place),
        ("Client", settings.client),
        ("Purpose", settings.purpose),
        ("Crew", settings.crew),
        ("Dig notice", settings.notice),
        ("Measured", _days(delivery)),
        ("Receivers", ", ".join(_receivers(delivery))),
    ]
    frame = [
        ("CRS", about.crs),
        ("Epoch", about.epoch),
        ("Vertical reference", about.vertical_reference),
        ("Units", about.units),
    ]
    return {
        "title": clean(settings.name),
        "short": clean(settings.name[:70] + ("\u2026" if len(settings.name) > 70 else "")),
        "facts": [[name, clean(words)] for name, words in facts if words],
        "frame": [[name, clean(words)] for name, words in frame],
        "uncertainty": about.uncertainty,
        "verdicts": about.verdicts,
        "positions": about.positions,
        "cautions": list(about.cautions),
        "version": about.version,
        "invented": INVENTED if about.invented else "",
        "day": about.day.isoformat() if about.day else "",
    }


def _days(delivery: Delivery) -> str:
    time = delivery.results.intake.shots.time
    known = time[~np.isnat(time)]
    if not len(known):
        return ""
    first, last = (str(t.astype("datetime64[D]")) for t in (known.min(), known.max()))
    return first if first == last else f"{first} to {last}"


def _receivers(delivery: Delivery) -> list[str]:
    shots = delivery.results.intake.shots
    names = set(shots.receiver.words()) | {s.receiver for s in delivery.results.intake.sources}
    return sorted(name for name in names if name)


def summary(delivery: Delivery) -> dict[str, Any]:
    """The counts a reader wants first."""
    results = delivery.results
    total = sum(line.length for line in results.lines)
    severities = np.concatenate(
        [np.empty(0, np.int8), *(outcome.severity for outcome in results.findings.outcomes)]
    )
    found = {s.word: int(np.count_nonzero(severities == s)) for s in reversed(Severity)}
    reported = sum(1 for report in results.intake.reports if not report.accepted)
    return {
        "shots": len(results.intake.shots),
        "lines": len(results.lines),
        "length": quantity(delivery, total, 1 if results.lines else 0),
        "crossings": len(results.crossings),
        "shot_verdicts": verdict_counts(results.verdict),
        "line_verdicts": verdict_counts(results.line_verdict),
        "findings": found,
        "uploads": len(results.intake.sources),
        "rows": sum(account.rows for account in results.intake.accounts),
        "reported": reported,
        "balanced": all(account.balanced for account in results.intake.accounts),
    }


def lines_table(delivery: Delivery) -> list[list[str]]:
    """One row a line: name, utility, verdict, length, shots, depths, uncertainty, size."""
    table = cells(delivery, LINES)
    rows = []
    for k in range(len(table)):

        def shown(name: str, decimals: int, k: int = k) -> str:
            value = table.column(name)[k]
            return "\u2013" if value is None else f"{float(value):.{decimals}f}"

        rows.append(
            [
                clean(table.column("line")[k]),
                str(table.column("utility")[k]),
                str(table.column("verdict")[k]),
                shown("length", 1),
                f"{table.column('shots_used')[k]} of {table.column('shots')[k]}"
                + _of_which(table.column("doubtful")[k], table.column("unfit")[k]),
                f"{shown('least_depth', 2)} to {shown('greatest_depth', 2)}"
                if table.column("least_depth")[k] is not None
                else "\u2013",
                f"{shown('median_across_95', 2)} / {shown('greatest_across_95', 2)}",
                shown("greatest_vertical_95", 3),
                shown("outside_diameter", 3),
                hex_colour(delivery.results.lines[k].utility),
            ]
        )
    return rows


def _of_which(doubtful: Value, unfit: Value) -> str:
    """What a sound line's shots hide, for the column of shots."""
    parts = [f"{doubtful} doubtful"] if doubtful else []
    parts += [f"{unfit} unfit"] if unfit else []
    return "".join(f"\n{part}" for part in parts)


def certainty_words(probability: float) -> str:
    """A probability in per cent; never certainty."""
    return f"{100 * probability:.1f} %" if probability < 0.999 else "over 99.9 %"


def crossings_table(delivery: Delivery) -> list[list[str]]:
    """One row a crossing."""
    results, unit = delivery.results, delivery.about.unit.metres

    def shown(metres: float, decimals: int) -> str:
        return f"{metres / unit:.{decimals}f}" if np.isfinite(metres) else "\u2013"

    rows = []
    for c in results.crossings[:MOST_CROSSINGS]:
        # Diameters are nominal: both distances are as uncertain as the lines' heights.
        separation, clear = (shown(value, 2) for value in (c.separation, c.surface_separation))
        within = f" \u00b1 {shown(NORMAL_95 * c.separation_sd, 2)}"
        separation += within if np.isfinite(c.separation) else ""
        clear += within if np.isfinite(c.surface_separation) else ""
        certainty = certainty_words(c.order_certainty) if np.isfinite(c.order_certainty) else ""
        rows.append(
            [
                clean(results.lines[c.line_a].name),
                clean(results.lines[c.line_b].name),
                shown(c.station_a, 1),
                shown(c.station_b, 1),
                separation,
                clear,
                f"{np.degrees(c.angle):.0f}",
                certainty if np.isfinite(c.separation) else "\u2013",
            ]
        )
    return rows


def accuracy(delivery: Delivery) -> dict[str, Any]:
    """How well shots and lines are known: medians and worst cases by verdict."""
    results = delivery.results
    rows = []
    control = results.intake.shots.control.codes >= 0
    for verdict in Verdict:
        chosen = (results.verdict == verdict) & ~control
        if not chosen.any():
            continue
        horizontal = results.budget.horizontal_95[chosen]
        vertical = results.budget.vertical_95[chosen]
        rows.append(
            [
                verdict.word,
                str(int(np.count_nonzero(chosen))),
                *_spread(delivery, horizontal),
                *_spread(delivery, vertical),
            ]
        )
    return {"rows": rows}


def _spread(delivery: Delivery, values: Floats) -> tuple[str, str]:
    known = values[np.isfinite(values)]
    if not len(known):
        return "\u2013", "\u2013"
    return quantity(delivery, float(np.median(known))), quantity(delivery, float(known.max()))


def uploads(delivery: Delivery) -> list[dict[str, str]]:
    """Each upload, what it declares and how its rows were accounted for."""
    intake = delivery.results.intake
    rows = []
    for source, account in zip_longest(intake.sources, intake.accounts):
        rows.append(
            {
                "tag": source.tag,
                "file": clean(source.file),
                "bytes": f"{source.size:,}",
                "sha256": source.sha256,
                "frame": clean(_frame_words(source)),
                "rows": str(account.rows if account else source.rows),
                "shots": str(account.shots) if account else "\u2013",
                "readings": str(account.sweep_readings) if account else "\u2013",
                "reported": str(account.reported) if account else "\u2013",
                "balance": ("yes" if account.balanced else "NO") if account else "\u2013",
                "antenna": _antenna_words(delivery, source)
                + ("; depths to the top" if source.depth_to == "top" else ""),
                "assumed": clean(" ".join(source.assumed)),
            }
        )
    return rows


def _frame_words(source: Source) -> str:
    frame = source.frame
    epoch = f"epoch {frame.epoch:.3f}" if frame.epoch is not None else "each shot's own epoch"
    heights = f"{frame.height_kind} heights" if frame.height_kind != "none" else "no heights"
    geoid = f", geoid {frame.geoid}" if frame.geoid else ""
    doubt = (
        f"; label good to {source.position_accuracy:g} m (1 sigma)"
        if source.position_accuracy
        else ""
    )
    return f"{frame.crs}, {epoch}, {heights}{geoid}{doubt}"


def _antenna_words(delivery: Delivery, source: Source) -> str:
    if source.position_of == "ground":
        return "already on the ground"
    shots = delivery.results.intake.shots
    mine = delivery.results.intake.sources.index(source)
    heights = shots.antenna_height[shots.source == mine]
    heights = heights[np.isfinite(heights)]
    if len(heights):
        low, high = float(heights.min()), float(heights.max())
        span = quantity(delivery, low) + (f" to {quantity(delivery, high)}" if high > low else "")
        return f"antenna, {span} above the tip"
    if np.isfinite(source.antenna_height):
        return f"antenna, {quantity(delivery, source.antenna_height)} above the tip"
    return "antenna, height not recorded"


def operations(delivery: Delivery) -> list[dict[str, str]]:
    """Coordinate operations as PROJ chose them."""
    ground = delivery.results.ground
    rows = []
    for k, operation in enumerate(ground.operations):
        count = int(np.count_nonzero(ground.operation == k))
        accuracy_words = (
            "exact conversion"
            if operation.accuracy == 0
            else quantity(delivery, operation.accuracy)
        )
        rows.append(
            {
                "path": clean(f"{operation.source} to {operation.target}"),
                "name": clean(operation.name),
                "accuracy": accuracy_words,
                "epoch": clean(operation.epoch),
                "grids": clean(", ".join(operation.grids) or "none"),
                "shots": plural(count, "shot"),
                "definition": clean(operation.definition, 3000),
            }
        )
    return rows


def terms(delivery: Delivery) -> list[list[str]]:
    """The error budget: median size of each cause, largest first."""
    rows = []
    for term in delivery.results.budget.terms:
        horizontal = np.sqrt((np.asarray(term.east_east) + np.asarray(term.north_north)) / 2.0)
        vertical = np.sqrt(np.asarray(term.up_up))
        size_h, size_v = _middle(horizontal), _middle(vertical)
        rows.append((max(size_h, size_v), _term_row(delivery, term, size_h, size_v)))
    return [row for _, row in sorted(rows, key=lambda pair: -pair[0])]


def _middle(values: npt.NDArray[np.float64]) -> float:
    known = np.atleast_1d(values)[np.isfinite(np.atleast_1d(values))]
    return float(np.median(known)) if len(known) else 0.0


def _term_row(
    delivery: Delivery, term: BudgetTerm, horizontal: float, vertical: float
) -> list[str]:
    shared = term.shared_by is not None and bool(np.any(term.shared_by >= 0))
    return [
        clean(term.title),
        quantity(delivery, horizontal, 4) if horizontal else "\u2013",
        quantity(delivery, vertical, 4) if vertical else "\u2013",
        "shared" if shared else "shot by shot",
        clean(term.basis),
    ]


def factors(delivery: Delivery) -> str:
    """Combined factor and convergence in one sentence."""
    ground = delivery.results.ground
    factor = ground.combined_factor[np.isfinite(ground.combined_factor)]
    if not len(factor):
        return ""
    middle = float(np.median(factor))
    return (
        f"Combined factor (grid distance / ground distance): {middle:.7f} in the middle of the "
        f"job; a ground distance of {plain_number(1000, 0)} {delivery.about.unit.symbol} is "
        f"{1000 * middle:.3f} {delivery.about.unit.symbol} on the grid. Lengths and stations in "
        "this report are on the grid."
    )
