"""`results.json`: everything, for programs.

One JSON object, one record a line, keys in a fixed order, UTF-8, NaN as null, text exactly as it
came in. `schema` names the layout; it changes when the layout does. Described in
docs/reference/outputs.md.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import zip_longest
from typing import Any

import numpy as np

from asfound.deliver.accuracy_json import accuracy_json
from asfound.deliver.columns import Value, cells, rounded
from asfound.deliver.delivery import Delivery
from asfound.deliver.digs_json import digs_json
from asfound.deliver.shapes import LineShape
from asfound.deliver.stakeout_files import list_record
from asfound.deliver.tables import TABLES
from asfound.model import BudgetTerm, DecisionOutcome, Line

SCHEMA = "asfound-results/1"
KEYS = {
    "schema": "Name and version of this layout.",
    "version": "Program and version.",
    "invented": "True for demonstration data.",
    "cautions": "List of sentences. Show them wherever you show the data.",
    "job": "`name`, `client`, `place`, `crew`, `notice`, `purpose`, `day`.",
    "frame": "`crs` as declared, `name`, `code`, `geographic_base`, `epoch` (null if each shot has "
    "its own or none is needed), `epoch_in_words`, `height_kind`, `geoid`, `vertical_reference`, "
    "`wkt`.",
    "units": "Symbols of the coordinates' and of the lengths' unit, and both in metres.",
    "uncertainty": "What 95 % and sd mean.",
    "positions": "What a position is of.",
    "verdicts": "What a verdict means.",
    "columns": "For each table below a list of `name`, `heading`, `unit`, `kind`, `description`.",
    "uploads": "`tag`, `file`, `sha256`, `bytes`, declared `frame`, `position_of`, `depth_to`, "
    "defaults, and the row accounting: `rows` = `shots` + `sweep_readings` + `reported`, "
    "`balanced`.",
    "operations": "Coordinate operations as PROJ chose them: `source`, `target`, `name`, "
    "`accuracy_m`, `epoch`, `grids`, `definition`, `shots`.",
    "budget": "Causes of error: `term`, `title`, `basis`, `shared`, and the standard deviation of "
    "one axis in metres, `horizontal_sd_m` and `vertical_sd_m`: a number for all shots or a list "
    "in the order of `shots`.",
    "rules_not_run": "`rule`, `title`, `why`.",
    "shots": "Table of shots.",
    "lines": "Table of lines. `axis` holds arrays along the axis: station, easting, northing, "
    "longitude, latitude, height of the centre, ground height, bearing, `across_95`, "
    "`vertical_95`; `bends` (station, deflection in degrees, right positive) and `gaps` (from, "
    "to). `members` holds its shots in order with `used`, `weight` and the residual along, left "
    "and up.",
    "crossings": "Table of crossings.",
    "sweeps": "Table of sweeps.",
    "conductors": "Table of conductors under sweeps.",
    "accuracy_checks": "Table of checks on control, of repeats and of exposures.",
    "quality_levels": "Table of proposed quality levels, one stretch of a line each.",
    "digs": "Table of planned digs.",
    "approaches": "Table of lines near digs, the likeliest touched of each dig first.",
    "exposures": "Table of exposures with what they said of their lines.",
    "hole_advice": "Table of places where exposing a line would settle most.",
    "findings": "Table of findings.",
    "rows": "Table of reported rows.",
    "corrections": "Shots that take place and depth from a sweep: `shot`, `sweep`, how far moved "
    "left, depth as read and as used, standard deviations taken over, distance from the sweep, "
    "`significant`, `reason`.",
    "accuracy": "What the checks prove: `statements` (of which `kind` of checks, `standard`, "
    "`quantity`, the figure with its interval, `checks`, whether that many are `sufficient`, "
    "`words`), `budget` (variance factor with its interval for each kind, normalised `residuals`, "
    "`outliers`; offered, never applied), `mix_ups` (uploads whose checks do not close, `named` "
    "cause, all `causes` with their weight), `words`.",
    "clearance": "How digs were checked: where the `ground` and the `searched` area come from, the "
    "required clearances (`rules`) with citation, of each dig the sentences, cautions and every "
    "rule's answer (`shortfall`, `p_breach`), `advice`, the `advice_ceiling` that no choice of "
    "holes exceeds, and `shared_errors`: what exposures said of errors that many shots share.",
    "stakeouts": "Stakeout lists: `name`, `day`, `service` as declared, `frame` and `epoch` of the "
    "coordinates, what is not modelled, the walking distance, and `targets` in walking order; "
    "metres and degrees, `x` and `y` in `xy_unit`. `reason` says why a list could not be made.",
    "joins": "Doubtful joins (`line`, `after_shot` counted from 1, `reason`) and branches (`line`, "
    "`main`, position).",
    "decisions": "What people decided: `id`, `kind`, `value`, `who`, `when`, `why`, the `shots` it "
    "touched, and `outcome`: what it did, or why it could not be carried out (`done`).",
}


def results_json(delivery: Delivery) -> bytes:
    """The whole file."""
    results, about = delivery.results, delivery.about
    parts: list[tuple[str, object]] = [
        ("schema", SCHEMA),
        ("version", about.version),
        ("invented", about.invented),
        ("cautions", list(about.cautions)),
        ("job", _job(delivery)),
        ("frame", _frame(delivery)),
        (
            "units",
            {
                "coordinates": about.grid_unit.symbol,
                "lengths": about.unit.symbol,
                "metres_per_coordinate_unit": about.grid_unit.metres,
                "metres_per_length_unit": about.unit.metres,
            },
        ),
        ("uncertainty", about.uncertainty),
        ("positions", about.positions),
        ("verdicts", about.verdicts),
        ("columns", {name: _columns(delivery, name) for name in TABLES}),
        ("uploads", _Rows(_uploads(delivery))),
        ("operations", _Rows(_operations(delivery))),
        ("budget", _Rows([_term(term) for term in results.budget.terms])),
        (
            "rules_not_run",
            _Rows(
                [
                    {"rule": rule.id, "title": rule.title, "why": why}
                    for rule, why in results.findings.not_run
                ]
            ),
        ),
    ]
    for name, table in TABLES.items():
        records: list[dict[str, Any]] = list(cells(delivery, table).records())
        if name == "lines":
            for record, line, shape in zip(records, results.lines, delivery.shapes, strict=True):
                record["axis"] = _axis(delivery, line, shape)
                record["members"] = _members(delivery, line)
        parts.append((name, _Rows(records)))
    parts.append(("corrections", _Rows(_corrections(delivery))))
    parts.append(("accuracy", accuracy_json(delivery)))
    parts.append(("clearance", digs_json(delivery)))
    lists = [list_record(made) for made in delivery.results.stakeouts]
    parts.append(("stakeouts", _Rows(lists)))
    parts.append(("joins", _Rows(_joins(delivery))))
    parts.append(("decisions", _Rows(_decisions(delivery))))
    return _dump(parts)


class _Rows(list[Any]):
    """A list written one item a line."""


def _dump(parts: Sequence[tuple[str, object]]) -> bytes:
    lines = []
    for key, value in parts:
        if isinstance(value, _Rows):
            body = ",\n".join(_json(item) for item in value)
            lines.append(f'"{key}": [\n{body}\n]' if value else f'"{key}": []')
        else:
            lines.append(f'"{key}": {_json(value)}')
    return ("{\n" + ",\n".join(lines) + "\n}\n").encode("utf-8", "replace")


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _columns(delivery: Delivery, name: str) -> list[dict[str, str]]:
    about = delivery.about
    return [
        {
            "name": c.field(about),
            "heading": c.heading,
            "unit": c.unit(about),
            "kind": c.kind,
            "description": c.description,
        }
        for c in TABLES[name].columns
    ]


def _job(delivery: Delivery) -> dict[str, Any]:
    settings, about = delivery.results.settings, delivery.about
    facts = {
        key: getattr(settings, key)
        for key in ("name", "client", "place", "crew", "notice", "purpose")
    }
    return {**facts, "day": about.day.isoformat() if about.day else None}


def _frame(delivery: Delivery) -> dict[str, Any]:
    about, frame = delivery.about, delivery.results.settings.frame
    return {
        "crs": frame.crs,
        "name": about.crs_name,
        "code": about.crs_code,
        "geographic_base": about.geographic_name,
        "epoch": frame.epoch,
        "epoch_in_words": about.epoch,
        "height_kind": frame.height_kind,
        "geoid": frame.geoid,
        "vertical_reference": about.vertical_reference,
        "wkt": delivery.crs.to_wkt(),
    }


def _uploads(delivery: Delivery) -> list[dict[str, Any]]:
    intake = delivery.results.intake
    uploads = []
    for source, account in zip_longest(intake.sources, intake.accounts):
        frame = source.frame
        uploads.append(
            {
                "tag": source.tag,
                "file": source.file,
                "sha256": source.sha256,
                "bytes": source.size,
                "rows": source.rows,
                "shots": account.shots if account else None,
                "sweep_readings": account.sweep_readings if account else None,
                "reported": account.reported if account else None,
                "balanced": account.balanced if account else None,
                "frame": {
                    "crs": frame.crs,
                    "epoch": frame.epoch,
                    "height_kind": frame.height_kind,
                    "geoid": frame.geoid,
                },
                "assumed": list(source.assumed),
                "position_of": source.position_of,
                "depth_to": source.depth_to,
                "receiver": source.receiver,
                "hookup": source.hookup,
                "crew": source.crew,
                "antenna_height_m": _number(source.antenna_height, 4),
                "position_accuracy_m": _number(source.position_accuracy, 4),
            }
        )
    return uploads


def _operations(delivery: Delivery) -> list[dict[str, Any]]:
    ground = delivery.results.ground
    return [
        {
            "source": o.source,
            "target": o.target,
            "name": o.name,
            "accuracy_m": _number(o.accuracy, 4),
            "epoch": o.epoch,
            "grids": list(o.grids),
            "definition": o.definition,
            "shots": int(np.count_nonzero(ground.operation == k)),
        }
        for k, o in enumerate(ground.operations)
    ]


def _term(term: BudgetTerm) -> dict[str, Any]:
    """One cause of error: its standard deviation at each shot, or one for all."""
    horizontal = np.sqrt((np.asarray(term.east_east) + np.asarray(term.north_north)) / 2.0)
    vertical = np.sqrt(np.asarray(term.up_up))
    return {
        "term": term.name,
        "title": term.title,
        "basis": term.basis,
        "shared": term.shared_by is not None and bool(np.any(term.shared_by >= 0)),
        "horizontal_sd_m": _spread(horizontal),
        "vertical_sd_m": _spread(vertical),
    }


def _spread(values: Any) -> Value | list[Value]:
    return rounded(values, 5) if np.ndim(values) else _number(float(values), 5)


def _axis(delivery: Delivery, line: Line, shape: LineShape) -> dict[str, Any]:
    unit = delivery.about.unit.symbol
    grid = delivery.about.grid_unit.symbol
    length = delivery.length
    return {
        f"station_{unit}": rounded(length(line.axis_station), 3),
        f"easting_{grid}": rounded(delivery.grid(line.easting), 3),
        f"northing_{grid}": rounded(delivery.grid(line.northing), 3),
        "longitude_deg": rounded(shape.longitude, 9),
        "latitude_deg": rounded(shape.latitude, 9),
        f"height_{unit}": rounded(length(line.height), 3),
        f"ground_height_{unit}": rounded(length(line.ground_height), 3),
        "bearing_deg": rounded(np.degrees(line.bearing) % 360.0, 3),
        f"across_95_{unit}": rounded(length(shape.across_95), 3),
        f"vertical_95_{unit}": rounded(length(shape.vertical_95), 3),
        "bends": [
            [_number(float(length(s)), 3), _number(float(np.degrees(a)), 2)] for s, a in line.bends
        ],
        "gaps": [rounded(length(gap), 3) for gap in line.gaps],
    }


def _members(delivery: Delivery, line: Line) -> list[dict[str, Any]]:
    unit = delivery.about.unit.symbol
    residual = [rounded(delivery.length(line.residual[:, axis]), 3) for axis in range(3)]
    return [
        {
            "shot": delivery.shot_names[shot],
            "used": used,
            "weight": _number(weight, 3),
            f"along_{unit}": along,
            f"left_{unit}": left,
            f"up_{unit}": up,
        }
        for shot, used, weight, along, left, up in zip(
            line.shots.tolist(), line.used.tolist(), line.weight.tolist(), *residual, strict=True
        )
    ]


def _corrections(delivery: Delivery) -> list[dict[str, Any]]:
    """Shots that take their place across the line and their depth from a sweep beside them."""
    unit = delivery.about.unit

    def shown(metres: float) -> float | None:
        return _number(metres / unit.metres, 3)

    return [
        {
            "shot": delivery.shot_names[c.shot],
            "sweep": delivery.results.sweeps[c.located].name,
            f"moved_left_{unit.symbol}": shown(c.shift_left),
            f"depth_read_{unit.symbol}": shown(c.depth_before),
            f"depth_{unit.symbol}": shown(c.depth),
            f"horizontal_sd_{unit.symbol}": shown(c.horizontal_sd),
            f"depth_sd_{unit.symbol}": shown(c.depth_sd),
            f"distance_{unit.symbol}": shown(c.distance),
            "significant": bool(c.significant),
            "reason": c.reason,
        }
        for c in delivery.results.corrections
    ]


def decision_record(outcome: DecisionOutcome, shots: Sequence[str]) -> dict[str, Any]:
    """A decision and what became of it, for programs.

    Parameters
    ----------
    outcome : DecisionOutcome
    shots : sequence of str
        Names of the shots it touched.
    """
    made = outcome.decision
    return {
        "id": made.id,
        "kind": made.kind,
        "value": made.value,
        "who": made.who,
        "when": made.when.isoformat(),
        "why": made.why,
        "done": outcome.done,
        "shots": list(shots),
        "outcome": outcome.words,
    }


def _decisions(delivery: Delivery) -> list[dict[str, Any]]:
    names = delivery.shot_names
    return [
        decision_record(item, [names[index] for index in item.shots])
        for item in delivery.results.decided
    ]


def _joins(delivery: Delivery) -> list[dict[str, Any]]:
    """Doubtful joins and branches."""
    assembly = delivery.results.assembly
    gaps: list[dict[str, Any]] = [
        {
            "kind": "doubtful join",
            "line": assembly.names[line],
            "after_shot": rank + 1,
            "reason": reason,
        }
        for line, rank, reason in assembly.gaps
    ]
    grid = delivery.about.grid_unit
    return gaps + [
        {
            "kind": "branch",
            "line": assembly.names[branch],
            "main": assembly.names[main],
            f"easting_{grid.symbol}": _number(easting / grid.metres, 3),
            f"northing_{grid.symbol}": _number(northing / grid.metres, 3),
        }
        for branch, main, easting, northing in assembly.tees
    ]


def _number(value: float, decimals: int) -> float | None:
    return round(value, decimals) + 0.0 if abs(value) < float("inf") else None
