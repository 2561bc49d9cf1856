"""`asfound accuracy`: what a job's checks prove, and the quality levels its lines may claim."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from asfound.cli import show
from asfound.cli.options import JobArgument, JsonOption

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from asfound.deliver.delivery import Delivery


def accuracy(
    job: JobArgument,
    scheme: Annotated[
        list[str] | None,
        typer.Option(
            help="Propose levels under asce-38-22, pas-128, csa-s250 or as-5488; repeat for more. "
            "Left out: as job.toml says, or as is customary in the country.",
            show_default=False,
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Show what control, repeats and exposures prove, probable mix-ups, and proposed levels."""
    from asfound.accuracy import scheme as known_scheme
    from asfound.deliver.accuracy_columns import CHECKS, QUALITY_LEVELS
    from asfound.deliver.accuracy_json import accuracy_json
    from asfound.deliver.columns import cells
    from asfound.deliver.delivery import prepare
    from asfound.folder import run_job
    from asfound.job.proving import levels_under

    chosen = tuple(dict.fromkeys(known_scheme(name).id for name in scheme or ()))
    with show.steps(quiet=json) as step:
        results = run_job(job, progress=step)
    if chosen:
        results = levels_under(results, chosen)
    delivery = prepare(results)
    if json:
        show.print_json(
            {
                **accuracy_json(delivery),
                "checks": cells(delivery, CHECKS).records(),
                "quality_levels": cells(delivery, QUALITY_LEVELS).records(),
                "cautions": list(delivery.about.cautions),
            }
        )
        return
    _print(delivery)


def _print(delivery: Delivery) -> None:
    from asfound.units import lengths_in

    report, unit = delivery.results.accuracy, delivery.about.unit
    console = show.console_for()
    if report is None:
        return

    def say(words: str, style: str = "") -> None:
        console.print(show.plain(lengths_in(words, unit)), style=style, soft_wrap=True)

    for mix_up in report.mix_ups:
        title = "was probably misread" if mix_up.named else "does not close on its checks"
        say(f"Upload {mix_up.upload} {title}.", "bold")
        for words in mix_up.words:
            say(words)
    for item in report.sets:
        say(f"{item.checks.kind}: {len(item.checks)}, counted {int(item.counted.sum())}", "bold")
        _print_checks(console, delivery, item.checks.kind)
        for statement in item.statements:
            say(f"{statement.standard}: {' '.join(statement.words)}")
        for words in (*(item.budget.words if item.budget else ()), *item.words):
            say(words)
    for words in report.words:
        say(words)
    _print_levels(console, delivery)
    show.print_cautions(console)


def _print_checks(console: Console, delivery: Delivery, kind: str) -> None:
    from asfound.deliver.accuracy_columns import CHECKS
    from asfound.deliver.columns import cells

    unit = delivery.about.unit.symbol
    table = cells(delivery, CHECKS)
    allowed = f">allowed {unit}"
    shown = show.table_of("of", "check", f">off {unit}", allowed, f">up {unit}", allowed, "result")
    names = ("horizontal", "horizontal_allowed_95", "up", "up_allowed_95")
    columns = [table.column(name) for name in names]
    for row in range(len(table)):
        if table.column("kind")[row] != kind:
            continue
        counted = "" if table.column("counted")[row] == "yes" else ", not counted"
        shown.add_row(
            show.plain(table.column("of")[row]),
            show.plain(table.column("check")[row]),
            *("" if values[row] is None else f"{values[row]:.3f}" for values in columns),
            f"{table.column('result')[row]}{counted}",
        )
    console.print(shown)


def _print_levels(console: Console, delivery: Delivery) -> None:
    from asfound.deliver.accuracy_columns import ASSIGNED, QUALITY_LEVELS
    from asfound.deliver.columns import cells

    unit = delivery.about.unit.symbol
    table = cells(delivery, QUALITY_LEVELS)
    names = ("scheme", "line", "from_station", "to_station", "level", "known_by", "exposure")
    rows = zip(*(table.column(name) for name in (*names, "next_level", "lacking")), strict=True)
    shown: dict[str, Table] = {}
    for scheme, line, start, end, level, known_by, exposure, better, lacking in rows:
        if scheme not in shown:
            shown[str(scheme)] = show.table_of(
                "line", f">from {unit}", f">to {unit}", "level", "known by", "lacking"
            )
        shown[str(scheme)].add_row(
            show.plain(line),
            f"{start:.1f}",
            f"{end:.1f}",
            show.plain(level),
            show.plain(exposure or known_by),
            show.plain(f"for {better}: {lacking}" if better else lacking),
        )
    for scheme, levels in shown.items():
        console.print(f"[bold]Proposed quality levels: {show.plain(scheme)}[/bold]")
        console.print(levels)
    if shown:
        console.print(ASSIGNED, soft_wrap=True)
