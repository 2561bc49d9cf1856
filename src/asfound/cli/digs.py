"""`asfound digs`: planned digs against the lines of a job, and where to expose."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from asfound.cli import show

if TYPE_CHECKING:
    from asfound.model import Approach, DigClearance, ExposureAdvice, Results
    from asfound.units import LengthUnit


def digs(
    job: Annotated[Path, typer.Argument(help="The job's folder.", show_default=False)],
    holes: Annotated[int, typer.Option(min=0, help="How many exposures to advise at most.")] = 3,
    json: Annotated[bool, typer.Option("--json", help="Print JSON for machines.")] = False,
) -> None:
    """Check the digs of digs.toml: clearance with uncertainty, what is required, what to expose."""
    from asfound.clearance import advise_exposures, apply_exposures, check_digs
    from asfound.folder import open_job, read_digs, run_job

    planned, exposures = read_digs(open_job(job))
    with show.steps(quiet=json) as step:
        results = run_job(job, progress=step)
        step("Checking digs against lines")
        found = check_digs(results, planned, exposures=exposures)
        step("Finding out where an exposure would settle most")
        advice = advise_exposures(results, planned, holes, exposures=exposures) if holes else None
        compared = apply_exposures(results, exposures).comparisons
    if json:
        show.print_json(
            {
                "digs": [_dig_json(dig) for dig in found],
                "expose": [] if advice is None else _advice_json(advice),
                "exposures": [
                    {
                        "name": item.exposure.name,
                        "line": item.exposure.line,
                        "found_left_m": item.left,
                        "found_up_m": item.up,
                        "left_sd_m": item.left_sd,
                        "up_sd_m": item.up_sd,
                        "contradicted": item.contradicted,
                    }
                    for item in compared
                ],
            }
        )
        return
    _print_digs(results, found, advice, compared)


def _dig_json(dig: DigClearance) -> dict[str, Any]:
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
                "rule": near.rule.id if near.rule else "",
                "p_breach": near.p_breach,
                "diameter": near.diameter_basis,
                "depth": near.depth_basis,
                "risk": near.risk,
                "words": list(near.words),
            }
            for near in dig.approaches
        ],
        "cautions": list(dig.cautions),
    }


def _advice_json(advice: ExposureAdvice) -> list[dict[str, Any]]:
    return [
        {
            "line": place.line,
            "station_m": place.station,
            "easting_m": place.easting,
            "northing_m": place.northing,
            "expected_reduction": float(gain),
        }
        for place, gain in zip(advice.chosen, advice.reduction, strict=True)
    ]


def _print_digs(
    results: Results,
    found: tuple[DigClearance, ...],
    advice: ExposureAdvice | None,
    compared: tuple[Any, ...],
) -> None:
    from asfound.units import length_unit, lengths_in

    unit = length_unit(results.settings.length_unit)
    console = show.console_for()
    for dig in sorted(found, key=lambda item: -item.risk):
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
        for near in dig.approaches:
            table.add_row(*_row(near, unit))
        if table.row_count:
            console.print(table)
        else:
            console.print("No located line within reach.")
        for words in dig.words:
            console.print(show.plain(lengths_in(words, unit)), soft_wrap=True)
    for item in compared:
        verdict = "contradicts the line" if item.contradicted else "agrees with the line"
        said = (
            f"Exposure {item.exposure.name} on {item.exposure.line}: found {abs(item.left):.2f} m "
            f"{'left' if item.left > 0 else 'right'} of and {abs(item.up):.2f} m "
            f"{'above' if item.up > 0 else 'below'} where it was expected; it {verdict}."
        )
        console.print(show.plain(lengths_in(said, unit)), soft_wrap=True)
    if advice is not None:
        for words in advice.words:
            console.print(show.plain(lengths_in(words, unit)), soft_wrap=True)
    show.print_cautions(console)


def _row(near: Approach, unit: LengthUnit) -> tuple[str, ...]:
    low, high = near.clearance_range[0] / unit.metres, near.clearance_range[2] / unit.metres
    return (
        show.plain(near.line),
        near.utility.word,
        f"{near.clearance / unit.metres:.2f}",
        f"{low:.2f} to {high:.2f}",
        _chance(near.p_contact),
        show.plain(near.rule.title) if near.rule else "no rule",
        _chance(near.p_breach) if near.rule else "",
    )


def _chance(probability: float) -> str:
    """A probability for people: never 0 or 100 %."""
    if probability < 0.001:
        return "< 0.1 %"
    if probability > 0.999:
        return "> 99.9 %"
    return f"{100 * probability:.1f} %"
