"""`asfound digs`: planned digs against the lines of a job, and where to expose."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from asfound.cli import show
from asfound.cli.options import JobArgument, JsonOption
from asfound.errors import InputError

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    from rich.console import Console

    from asfound.folder import DigFile, JobFolder
    from asfound.model import (
        Approach,
        Dig,
        DigClearance,
        DigReport,
        ExposureComparison,
        Frame,
        Plan,
        Results,
    )
    from asfound.units import LengthUnit


def digs(
    job: JobArgument,
    holes: Annotated[
        int | None,
        typer.Option(
            min=0, max=100, help="How many exposures to advise at most.", show_default="3"
        ),
    ] = None,
    source: Annotated[
        Path | None,
        typer.Option("--from", help="Check the digs of this file instead; nothing is stored."),
    ] = None,
    add: Annotated[
        Path | None,
        typer.Option("--add", help="Store this file in the job's digs/ folder, then check all."),
    ] = None,
    kind: Annotated[
        str,
        typer.Option(help="What the file's shapes are where they don't say: trench, bore ..."),
    ] = "",
    format: Annotated[
        str, typer.Option("--format", help="Format of the file; left out: by its ending.")
    ] = "",
    unit: Annotated[str, typer.Option(help="Unit of the file's sizes: m, ft or ftUS.")] = "",
    crs: Annotated[
        str, typer.Option(help="Frame of the file's coordinates; left out: the job's.")
    ] = "",
    epoch: Annotated[float | None, typer.Option(help="Epoch of the file's coordinates.")] = None,
    width: Annotated[str, typer.Option(help="Where not said, with unit: '0.6 m', '2 ft'.")] = "",
    depth: Annotated[str, typer.Option(help="Below ground, where not said, with unit.")] = "",
    diameter: Annotated[str, typer.Option(help="Of posts, where not said, with unit.")] = "",
    final_diameter: Annotated[
        str, typer.Option(help="Of bores after the last reaming, where not said, with unit.")
    ] = "",
    pilot_diameter: Annotated[
        str, typer.Option(help="Of bores' pilot hole, where not said, with unit.")
    ] = "",
    installs: Annotated[
        str, typer.Option(help="What will be laid, where not said: water, gas ...")
    ] = "",
    axis: Annotated[
        list[str] | None,
        typer.Option(
            help="A point E,N of the axis that a table of stations counts along, in the job's "
            "frame and its unit. Repeat it from start to end.",
            show_default=False,
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Check planned digs: clearance with uncertainty, what is required, what to expose.

    Without a file the digs of digs.toml are checked. The answer never gives leave to dig.
    """
    from dataclasses import replace

    from asfound.cli.ledger import note
    from asfound.folder import add_dig_file, digs_beside, no_digs, open_job, run_job

    folder = open_job(job)
    if source is not None and add is not None:
        raise InputError(
            "--from checks a file without storing it, --add stores it.",
            where="asfound digs",
            remedy="Give one of them.",
        )
    file = source or add
    sizes = {
        "width": width,
        "depth": depth,
        "diameter": diameter,
        "final_diameter": final_diameter,
        "pilot_diameter": pilot_diameter,
    }
    how = _how(format, unit, _frame(folder, crs, epoch), kind, installs, sizes)
    if axis:
        how = replace(how, axis=_axis(axis, folder))
    said = (format, unit, crs, kind, installs, axis, *sizes.values())
    if file is None and any(said):
        raise InputError(
            "sizes, frame and kind are of a file.",
            where="asfound digs",
            remedy="Name the file with --from or --add; what digs.toml plans says its own.",
        )
    drawn: tuple[Dig, ...] = ()
    if source is not None:
        drawn = _read(folder, source, how)

    def run(stem: str = "", more: tuple[Dig, ...] = ()) -> Results:
        def change(plan: Plan) -> Plan:
            return replace(
                plan,
                digs=drawn if source is not None else digs_beside(plan.digs, more, stem),
                holes=plan.holes if holes is None else holes,
            )

        with show.steps(quiet=json) as step:
            return run_job(job, progress=step, change=change)

    if add is None:
        results = run()
    else:  # first checked, then stored: what can't be dug must not stop the job ever after
        checked: list[Results] = []
        added = add_dig_file(folder, add, how, lambda stem, new: checked.append(run(stem, new)))
        note(folder)
        if not json:
            _print_added(added.path.name, len(added.digs), known=added.known)
        results = checked[0] if checked else run()
    if results.digs is None:
        raise no_digs(folder)
    compared = results.exposed.comparisons if results.exposed else ()
    if json:
        show.print_json(_json(results.digs, compared))
        return
    _print(results, results.digs, compared)


def _how(
    format: str,
    unit: str,
    frame: Frame | None,
    kind: str,
    installs: str,
    sizes: dict[str, str],
) -> DigFile:
    """How the file is to be read, from the options."""
    from asfound.folder import DigFile, parse_spacing
    from asfound.intake.digs import DigDefaults
    from asfound.model import Utility

    if installs and installs.upper() not in Utility.__members__:
        raise InputError(
            f"'{installs}' is no utility.",
            where="--installs",
            remedy=f"Use {', '.join(kind.word for kind in Utility)}.",
        )
    given = {
        key: parse_spacing(words, where=f"--{key.replace('_', '-')}")[0]
        for key, words in sizes.items()
        if words
    }
    usual = DigDefaults(
        **given, installs=Utility[installs.upper()] if installs else Utility.UNKNOWN, kind=kind
    )
    return DigFile(format, unit, frame, usual)


def _axis(points: list[str], folder: JobFolder) -> npt.NDArray[np.float64]:
    """(m, 2) points E,N of an axis [m]."""
    import numpy as np

    from asfound.folder import read_settings
    from asfound.geodesy import job_grid

    settings = read_settings(folder)
    try:
        pairs = np.array([[float(word) for word in point.split(",")] for point in points])
    except ValueError:
        pairs = np.empty((0, 0))
    if pairs.ndim != 2 or pairs.shape[1] != 2 or len(pairs) < 2 or not np.isfinite(pairs).all():
        raise InputError(
            f"{' '.join(points)} is not an axis.",
            where="--axis",
            remedy="Give at least two points: --axis 1301000.0,341900.0 --axis 1301100.0,341900.0",
        )
    return np.asarray(pairs * job_grid(settings.frame, None, settings.grids).unit_metres)


def _frame(folder: JobFolder, crs: str, epoch: float | None) -> Frame | None:
    """Frame of the file's coordinates; heights as the job has them."""
    from asfound.folder import read_settings
    from asfound.model import Frame

    if not crs:
        return None
    own = read_settings(folder).frame
    return Frame(crs, epoch, own.height_kind, own.geoid)


def _read(folder: JobFolder, file: Path, how: DigFile) -> tuple[Dig, ...]:
    from asfound.folder import read_dig_file, read_settings

    if not file.is_file():
        raise InputError("there is no such file.", where=str(file), remedy="Check the name.")
    return read_dig_file(file.read_bytes(), file.name, how, read_settings(folder))


def _json(report: DigReport, compared: tuple[ExposureComparison, ...]) -> dict[str, Any]:
    advice = report.advice
    return {
        "digs": [
            _dig_json(dig, report.without_exposures.get(k)) for k, dig in enumerate(report.digs)
        ],
        "expose": []
        if advice is None
        else [
            {
                "line": place.line,
                "station_m": place.station,
                "easting_m": place.easting,
                "northing_m": place.northing,
                "cost": place.cost,
                "expected_reduction": float(gain),
            }
            for place, gain in zip(advice.chosen, advice.reduction, strict=True)
        ],
        "advice": [] if advice is None else list(advice.words),
        "exposures": [
            {
                "name": item.exposure.name,
                "line": item.exposure.line,
                "found_left_m": item.left,
                "found_up_m": item.up,
                "left_sd_m": item.left_sd,
                "up_sd_m": item.up_sd,
                "contradicted": item.contradicted,
                "words": item.words,
            }
            for item in compared
        ],
        "rules": [
            {
                "id": rule.id,
                "title": rule.title,
                "jurisdiction": rule.jurisdiction,
                "citation": rule.citation,
                "from_memory": rule.from_memory,
            }
            for rule in report.rules
        ],
        "ground": report.ground,
        "searched": list(report.searched),
    }


def _dig_json(dig: DigClearance, before: DigClearance | None) -> dict[str, Any]:
    from asfound.deliver.dig_columns import by_contact

    contact = {} if before is None else {one.line_index: one.p_contact for one in before.approaches}
    return {
        "name": dig.dig.name,
        "kind": dig.dig.kind,
        "risk": dig.risk,
        "searched_share": dig.searched,
        "words": list(dig.words),
        "lines": [
            {
                "line": near.line,
                "utility": near.utility.word,
                "source": near.source,
                "crosses": near.crosses,
                "clearance_m": near.clearance,
                "clearance_90_percent_m": [near.clearance_range[0], near.clearance_range[2]],
                "horizontal_m": near.horizontal,
                "vertical_m": near.vertical,
                "line_station_m": near.line_station,
                "dig_station_m": near.dig_station,
                "p_contact": near.p_contact,
                "p_contact_without_exposures": contact.get(near.line_index),
                "rule": near.rule.id if near.rule else "",
                "p_breach": near.p_breach,
                "diameter": near.diameter_basis,
                "depth": near.depth_basis,
                "risk": near.risk,
                "words": list(near.words),
            }
            for near in by_contact(dig)
        ],
        "cautions": list(dig.cautions),
    }


def _print_added(name: str, count: int, *, known: bool) -> None:
    said = "is in the job already" if known else "is in the job now"
    shapes = "1 dig" if count == 1 else f"{count} digs"
    show.console_for().print(f"digs/{show.plain(name)} {said}: {shapes}.")


def _print(results: Results, report: DigReport, compared: tuple[ExposureComparison, ...]) -> None:
    from asfound.deliver.dig_columns import digs_in_order
    from asfound.units import length_unit, lengths_in

    unit = length_unit(results.settings.length_unit)
    console = show.console_for()
    for k, dig in digs_in_order(report):
        _print_dig(console, dig, report.without_exposures.get(k), unit)
    for item in compared:
        verdict = "contradicts the line" if item.contradicted else "agrees with the line"
        said = (
            f"Exposure {item.exposure.name} on {item.exposure.line}: found {abs(item.left):.2f} m "
            f"{'left' if item.left > 0 else 'right'} of and {abs(item.up):.2f} m "
            f"{'above' if item.up > 0 else 'below'} where it was expected; it {verdict}."
        )
        console.print(show.plain(lengths_in(said, unit)), soft_wrap=True)
    if report.advice is not None:
        for words in report.advice.words:
            console.print(show.plain(lengths_in(words, unit)), soft_wrap=True)
    console.print(f"Ground: {show.plain(report.ground)}.", soft_wrap=True)
    used = {one.rule.id for dig in report.digs for one in dig.approaches if one.rule}
    for rule in report.rules:
        if rule.id in used:
            doubt = "; source not read, check it" if rule.from_memory else ""
            said = f"{rule.id}: {rule.title} ({rule.citation}{doubt})."
            console.print(show.plain(said), soft_wrap=True)
    show.print_cautions(console)


def _print_dig(
    console: Console, dig: DigClearance, before: DigClearance | None, unit: LengthUnit
) -> None:
    from asfound.deliver.dig_columns import by_contact
    from asfound.units import lengths_in

    console.print(f"[bold]{show.plain(dig.dig.kind)} {show.plain(dig.dig.name)}[/bold]")
    table = show.table_of(
        "line",
        "utility",
        f">clearance {unit.symbol}",
        f">90 % within {unit.symbol}",
        ">contact",
        "required",
        ">not kept",
    )
    for near in by_contact(dig):
        table.add_row(*_row(near, unit))
    if table.row_count:
        console.print(table)
    for words in (*dig.words, *_changes(dig, before)):
        console.print(show.plain(lengths_in(words, unit)), soft_wrap=True)


def _changes(dig: DigClearance, before: DigClearance | None) -> list[str]:
    """What exposures changed for a dig."""
    if before is None:
        return []
    known = {one.line_index: one.p_contact for one in before.approaches}
    return [
        f"Contact with {near.line} before it was exposed: "
        f"{show.chance_words(known[near.line_index])}, now {show.chance_words(near.p_contact)}."
        for near in dig.approaches
        if near.line_index in known
        and abs(near.p_contact - known[near.line_index]) > 0.05 * max(known[near.line_index], 0.02)
    ]


def _row(near: Approach, unit: LengthUnit) -> tuple[str, ...]:
    low, high = near.clearance_range[0] / unit.metres, near.clearance_range[2] / unit.metres
    return (
        show.plain(near.line),
        near.utility.word if near.source == "located" else f"{near.utility.word} (records only)",
        f"{near.clearance / unit.metres:.2f}",
        f"{low:.2f} to {high:.2f}",
        show.chance_words(near.p_contact),
        show.plain(near.rule.id) if near.rule else "no rule",
        show.chance_words(near.p_breach) if near.rule else "",
    )
