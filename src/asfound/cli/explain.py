"""One shot in full: what came in, where it is, how sure, and what speaks against it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from asfound.budget import explain_shot
from asfound.cli.show import console_for, plain, print_cautions, print_json, table_of
from asfound.errors import InputError
from asfound.model import Results, Verdict
from asfound.units import LengthUnit, length_unit, lengths_in

if TYPE_CHECKING:
    from rich.console import Console

    from asfound.budget import ExplainedTerm
    from asfound.model import ControlPoint

_LEAST = 0.0005
"""Terms smaller than this on both axes are left out of the table [m]."""


def find_shot(results: Results, name: str) -> int:
    """Index of a shot by its name in the job (``A-17``), or by its field name if unique.

    Raises
    ------
    InputError
        If no shot or several have that name.
    """
    index = results.shot_index(name.upper())
    if index >= 0:
        return index
    own = np.flatnonzero(results.intake.shots.name.words() == name)
    if len(own) == 1:
        return int(own[0])
    raise InputError(
        f"{len(own)} shots have the field name '{name}'."
        if len(own)
        else f"the job has no shot '{name}'.",
        where="SHOT",
        remedy="Name it by upload and row, such as A-17; results' tables list all names.",
    )


def explained(results: Results, index: int, raw: Sequence[tuple[str, str]], *, json: bool) -> None:
    """Print one shot.

    Parameters
    ----------
    index : int
        Of the shot.
    raw : sequence of (title, cell)
        Its row as it stands in the file.
    """
    facts = _facts(results, index)
    terms = explain_shot(results.budget, index)
    about = results.findings.about("shot", index)
    if json:
        print_json(
            {
                **facts,
                "raw": [{"column": title, "cell": cell} for title, cell in raw],
                "budget": [
                    {
                        "name": term.name,
                        "title": term.title,
                        "horizontal_sd_m": term.horizontal_sd,
                        "vertical_sd_m": term.vertical_sd,
                        "shared": term.shared,
                        "basis": term.basis,
                    }
                    for term in terms
                ],
                "findings": [
                    {
                        "rule": finding.rule.id,
                        "severity": finding.severity.word,
                        "detail": finding.detail,
                        "remedy": finding.rule.remedy,
                    }
                    for finding in about
                ],
            }
        )
        return
    console = console_for()
    unit = length_unit(results.settings.length_unit)
    _print_where(console, results, facts, unit)
    _print_raw(console, raw)
    _print_budget(console, terms, unit)
    for finding in about:
        console.print(
            f"{finding.severity.word}: {plain(finding.rule.title)}. "
            f"{plain(lengths_in(finding.detail, unit))}",
            soft_wrap=True,
        )
        console.print(f"  What to do: {plain(finding.rule.remedy)}", soft_wrap=True)
    print_cautions(console)


def _facts(results: Results, index: int) -> dict[str, Any]:
    """Everything of a shot, in metres, by name."""
    ground, budget, shots = results.ground, results.budget, results.intake.shots
    source = results.intake.sources[shots.source[index]]
    line = int(results.assembly.line[index])
    taken = next((item for item in results.corrections if item.shot == index), None)
    return {
        "shot": results.shot_name(index),
        "verdict": Verdict(int(results.verdict[index])).word,
        "file": source.file,
        "row": int(shots.row[index]),
        "file_line": int(shots.line_number[index]),
        "line": results.assembly.names[line] if line >= 0 else "",
        "control": shots.control.word(index),
        "easting_m": float(ground.easting[index]),
        "northing_m": float(ground.northing[index]),
        "longitude": float(ground.longitude[index]),
        "latitude": float(ground.latitude[index]),
        "ground_height_m": float(ground.height[index]),
        "vertical_reference": ground.vertical_reference,
        "crs": results.settings.frame.crs,
        "epoch": results.settings.frame.epoch,
        "epoch_of_observation": float(ground.epoch[index]),
        "operation": ground.operations[ground.operation[index]].name,
        "depth_read_m": float(shots.depth[index]),
        "depth_m": float(results.depth[index]),
        "depth_from": "reading" if taken is None else taken.reason,
        "moved_left_m": 0.0 if taken is None else taken.shift_left,
        "centre_height_m": float(budget.centre_height[index]),
        "horizontal_95_m": float(budget.horizontal_95[index]),
        "vertical_95_m": float(budget.vertical_95[index]),
        "outside_diameter_m": float(budget.outside_diameter[index]),
    }


def _print_where(
    console: Console, results: Results, facts: dict[str, Any], unit: LengthUnit
) -> None:
    def length(metres: float, digits: int = 2) -> str:
        if not np.isfinite(metres):
            return "not known"
        return f"{metres / unit.metres:.{digits}f} {unit.symbol}"

    def say(words: str) -> None:
        console.print(plain(words), soft_wrap=True)

    console.print(f"[bold]Shot {facts['shot']}[/bold]: {facts['verdict']}")
    on = f"on line {facts['line']}" if facts["line"] else "on no line"
    on = f"a check on control point {facts['control']}" if facts["control"] else on
    say(f"Row {facts['row']} (file line {facts['file_line']}) of {facts['file']}, {on}.")
    grid = results.ground.unit_metres
    name = next((k for k in ("m", "ft", "ftUS") if abs(length_unit(k).metres - grid) < 1e-12), "m")
    say(
        f"Ground point: E {facts['easting_m'] / grid:.3f}, N {facts['northing_m'] / grid:.3f} "
        f"{name} in {facts['crs']}"
        + (f", epoch {facts['epoch']:g}" if facts["epoch"] is not None else "")
        + f"; {facts['latitude']:.8f}, {facts['longitude']:.8f}; "
        f"height {length(facts['ground_height_m'], 3)} ({facts['vertical_reference']})."
    )
    observed = facts["epoch_of_observation"]
    when = f", logged at {observed:.3f}" if np.isfinite(observed) else ""
    say(f"Brought there by: {facts['operation']}{when}.")
    if facts["control"]:
        point = next(
            (
                p
                for p in results.settings.control
                if p.name.casefold() == facts["control"].casefold()
            ),
            None,
        )
        say(_check_words(facts, point, unit))
        return
    if facts["depth_from"] == "reading":
        say(f"Depth {length(facts['depth_m'])} to the centre, as the receiver read it.")
    else:
        side = "left" if facts["moved_left_m"] > 0 else "right"
        say(
            f"Depth {length(facts['depth_m'])} to the centre, and "
            f"{length(abs(facts['moved_left_m']))} to the {side}, taken from "
            f"{facts['depth_from']}. The receiver alone read {length(facts['depth_read_m'])}."
        )
    within = f"The centre lies within {length(facts['horizontal_95_m'])} horizontally"
    if np.isfinite(facts["vertical_95_m"]):
        within += f" and {length(facts['vertical_95_m'])} in height"
    else:
        within += "; its height is not known"
    say(within + ", with 95 % each.")


def _check_words(facts: dict[str, Any], point: ControlPoint | None, unit: LengthUnit) -> str:
    if point is None:
        return f"The job file holds no coordinates of {facts['control']}."
    off = [
        facts["easting_m"] - point.easting,
        facts["northing_m"] - point.northing,
        facts["ground_height_m"] - point.height,
    ]
    words = [
        f"{value / unit.metres:+.3f} {unit.symbol} {axis}" if np.isfinite(value) else f"no {axis}"
        for value, axis in zip(off, ("east", "north", "up"), strict=True)
    ]
    return f"Measured less known: {', '.join(words)}."


def _print_raw(console: Console, raw: Sequence[tuple[str, str]]) -> None:
    filled = [f"{title} = {cell}" for title, cell in raw if cell]
    if filled:
        console.print(plain("As received: " + "; ".join(filled)), soft_wrap=True)


def _print_budget(console: Console, terms: Sequence[ExplainedTerm], unit: LengthUnit) -> None:
    table = table_of(
        "cause of error",
        f">horizontal {unit.symbol}",
        f">vertical {unit.symbol}",
        "shared",
        "size from",
        title="Error budget, one standard deviation each",
    )
    for term in terms:
        if max(term.horizontal_sd, np.nan_to_num(term.vertical_sd)) < _LEAST:
            continue
        table.add_row(
            plain(term.title),
            f"{term.horizontal_sd / unit.metres:.3f}",
            f"{term.vertical_sd / unit.metres:.3f}",
            "yes" if term.shared else "",
            plain(term.basis),
        )
    console.print(table)
