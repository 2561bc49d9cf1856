"""What the command line prints: for people with rich, for machines as JSON.

Results go to standard output, progress and errors to standard error.
"""

from __future__ import annotations

import json as json_module
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table
    from typer.exceptions import TyperException

    from asfound.errors import AsfoundError
    from asfound.folder import Added, JobFolder
    from asfound.geodesy import FrameDifference
    from asfound.intake import Upload
    from asfound.model import Intake, JobSettings, Results, RowReport


def console_for(*, error: bool = False) -> Console:
    from rich.console import Console

    console = Console(stderr=error, highlight=False)
    if not console.is_terminal:
        console = Console(stderr=error, highlight=False, width=100)
    return console


def table_of(*headings: str, title: str | None = None) -> Table:
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, title=title, title_justify="left", pad_edge=False)
    for heading in headings:
        right = heading.startswith(">")
        table.add_column(heading.lstrip(">"), justify="right" if right else "left")
    return table


def plain(text: object) -> str:
    """Text without rich markup and without control characters."""
    from rich.markup import escape

    return escape("".join(c if c.isprintable() else "\ufffd" for c in str(text)))


def print_json(value: object) -> None:
    """One JSON document on standard output; NaN becomes null."""
    sys.stdout.write(json_module.dumps(_jsonable(value), indent=2, ensure_ascii=False) + "\n")


def _jsonable(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _jsonable(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_jsonable(v) for v in value]
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not (abs(value) < float("inf")):
        return None
    return value


@contextmanager
def steps(*, quiet: bool) -> Iterator[Callable[[str], None]]:
    """Progress of named steps on standard error: a bar on a terminal, nothing when quiet."""
    console = console_for(error=True)
    if quiet or not console.is_terminal:
        yield lambda name: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (BarColumn(24), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task("Starting", total=None)
        started = time.monotonic()

        def step(name: str) -> None:
            progress.update(task, description=plain(name))
            if time.monotonic() - started > 0.5:
                progress.refresh()

        yield step


def _report_json(report: RowReport) -> dict[str, object]:
    return {
        "upload": report.upload,
        "file": report.file,
        "row": report.row,
        "line": report.line_number,
        "reason": report.reason,
        "remedy": report.remedy,
        "accepted": report.accepted,
    }


def error(problem: AsfoundError, *, json: bool) -> None:
    """A user error: where, what, remedy; and the rows that are no shots, if that is it."""
    intake: Intake | None = getattr(problem, "intake", None)
    reports = intake.reports if intake is not None else ()
    if json:
        print_json(
            {
                "error": type(problem).__name__,
                "where": problem.where,
                "what": problem.what,
                "remedy": problem.remedy,
                "exit_code": problem.exit_code,
                "reported_rows": [_report_json(report) for report in reports],
            }
        )
        return
    console = console_for(error=True)
    _print_reports(console, reports)
    where = f"{plain(problem.where)}: " if problem.where else ""
    console.print(f"[bold]Stopped.[/bold] {where}{plain(problem.what)}", soft_wrap=True)
    if problem.remedy:
        console.print(f"What to do: {plain(problem.remedy)}", soft_wrap=True)


def usage(problem: TyperException) -> None:
    """A command line that could not be understood, for machines."""
    print_json(
        {
            "error": "UsageError",
            "where": "command line",
            "what": problem.format_message(),
            "remedy": "asfound --help lists the commands, asfound COMMAND --help what each takes.",
            "exit_code": problem.exit_code,
            "reported_rows": [],
        }
    )


def fault(problem: Exception) -> None:
    """A fault of asfound itself, without a traceback."""
    console = console_for(error=True)
    console.print(
        f"[bold]This is a fault of asfound, not yours:[/bold] {type(problem).__name__}: "
        f"{plain(problem)}",
        soft_wrap=True,
    )
    console.print("Nothing was half-written. Run again with ASFOUND_DEBUG=1 for the details.")


def started(folder: JobFolder, settings: JobSettings, *, json: bool) -> None:
    if json:
        print_json({"job": folder.path, "name": settings.name, "crs": settings.frame.crs})
        return
    console = console_for()
    console.print(f"Started job {plain(settings.name)} in {plain(folder.path)}.")
    console.print(
        f"Fill in the cover facts and control points in {plain(folder.settings_file)}, then:"
    )
    console.print(f"  asfound add {plain(folder.path)} FILE --frame FRAME")


_SHOWN_REPORTS = 12


def _print_reports(console: Console, reports: Sequence[RowReport]) -> None:
    """Reported rows, those of which the same is said together; the first few kinds of them."""
    groups: dict[tuple[bool, str, str], list[int]] = {}
    for report in reports:
        key = (report.accepted, report.reason, report.remedy)
        groups.setdefault(key, []).append(report.line_number)
    for (accepted, reason, remedy), lines in list(groups.items())[:_SHOWN_REPORTS]:
        word = "remark" if accepted else "not a shot"
        console.print(
            f"  {_lines(lines)} ({word}): {plain(reason)} {plain(remedy)}", soft_wrap=True
        )
    if len(groups) > _SHOWN_REPORTS:
        console.print(f"  and {len(groups) - _SHOWN_REPORTS} more; out/rows.csv holds all")


def _lines(numbers: list[int]) -> str:
    """``'line 7'``, ``'lines 7, 9'``, ``'lines 2 to 13'``, ``'lines 2, 5, 9 and 40 more'``."""
    if len(numbers) == 1:
        return f"line {numbers[0]}"
    if numbers[-1] - numbers[0] == len(numbers) - 1:
        return f"lines {numbers[0]} to {numbers[-1]}"
    shown = ", ".join(str(number) for number in numbers[:6])
    more = f" and {len(numbers) - 6} more" if len(numbers) > 6 else ""
    return f"lines {shown}{more}"


def _print_upload(console: Console, upload: Upload) -> None:
    """Row accounting of one upload."""
    account = upload.account
    readings = f", {account.sweep_readings} sweep readings" if account.sweep_readings else ""
    console.print(
        f"{account.rows} rows: {account.shots} shots{readings}, {account.reported} reported."
    )
    _print_reports(console, upload.reports)
    if account.rows and not account.shots and not account.sweep_readings:
        console.print("[bold]Not one row is a shot.[/bold] Look at the reports above.")


def added(folder: JobFolder, done: Added, trouble: AsfoundError | None) -> None:
    """How an upload is understood: column by column, with every doubt, and its rows."""
    from asfound.folder import mapping_file

    console = console_for()
    record = done.record
    if done.known and not done.anew:
        console.print(
            f"{plain(record.name)} is already in the job as upload {record.tag}: "
            "same bytes, nothing added."
        )
        return
    if done.anew:
        console.print(
            f"{plain(record.name)} is already in the job as upload {record.tag}; "
            "it is read anew as you say now."
        )
    console.print(
        f"[bold]Upload {record.tag}[/bold]: {plain(record.name)}, {record.size} bytes, "
        f"SHA-256 {record.sha256[:16]}..."
    )
    if done.guess is not None:
        table = table_of("asfound's quantity", "file's column", "read as")
        for quantity, column, form in done.guess.rows():
            table.add_row(plain(quantity), plain(column), plain(form))
        console.print(table)
        unused = [title for title in done.guess.unused() if title]
        if unused:
            console.print(plain(f"Columns not taken: {', '.join(unused)}."), soft_wrap=True)
        for doubt in done.guess.doubts:
            console.print(f"Doubt: {plain(doubt.what)} {plain(doubt.why)}", soft_wrap=True)
            if doubt.remedy:
                console.print(f"  If wrong: {plain(doubt.remedy)}", soft_wrap=True)
    _print_upload(console, done.upload)
    if trouble is not None:
        console.print(f"[bold]Processing will stop:[/bold] {plain(trouble.what)}", soft_wrap=True)
        console.print(f"  What to do: {plain(trouble.remedy)}", soft_wrap=True)
    console.print(f"The mapping is in {plain(mapping_file(folder, record.tag))}.")
    if done.before is not None:
        console.print(f"The one before is in {plain(done.before)}.")


def added_json(folder: JobFolder, done: Sequence[tuple[Added, AsfoundError | None]]) -> None:
    from asfound.folder import mapping_file

    print_json(
        [
            {
                "tag": item.record.tag,
                "file": item.record.name,
                "sha256": item.record.sha256,
                "size": item.record.size,
                "known": item.known,
                "read_anew": item.anew,
                "mapping": mapping_file(folder, item.record.tag),
                "rows": item.upload.account.rows,
                "shots": item.upload.account.shots,
                "sweep_readings": item.upload.account.sweep_readings,
                "reported": item.upload.account.reported,
                "trouble": "" if trouble is None else str(trouble),
                "reports": [_report_json(report) for report in item.upload.reports],
                "columns": [
                    {"quantity": q, "column": c, "read_as": f} for q, c, f in item.guess.rows()
                ]
                if item.guess
                else [],
                "doubts": [
                    {"field": d.field, "what": d.what, "why": d.why, "remedy": d.remedy}
                    for d in item.guess.doubts
                ]
                if item.guess
                else [],
            }
            for item, trouble in done
        ]
    )


def _verdict_counts(codes: Any) -> dict[str, int]:
    from asfound.model import Verdict

    return {verdict.word: int((codes == verdict).sum()) for verdict in Verdict}


def _summary(results: Results) -> dict[str, Any]:
    intake = results.intake
    return {
        "job": results.settings.name,
        "invented": results.settings.invented,
        "shots": _verdict_counts(results.verdict),
        "lines": _verdict_counts(results.line_verdict),
        "crossings": len(results.crossings),
        "findings": len(results.findings),
        "rows": [
            {
                "file": account.file,
                "rows": account.rows,
                "shots": account.shots,
                "sweep_readings": account.sweep_readings,
                "reported": account.reported,
            }
            for account in intake.accounts
        ],
    }


def processed(results: Results, files: Sequence[Path], *, json: bool) -> None:
    if json:
        print_json({**_summary(results), "files": list(files)})
        return
    console = console_for()
    summary = _summary(results)
    invented = " (invented demonstration data)" if results.settings.invented else ""
    console.print(f"[bold]{plain(results.settings.name)}[/bold]{invented}")
    counts = ", ".join(f"{count} {word}" for word, count in summary["shots"].items())
    console.print(
        f"Shots: {counts}. Lines: {len(results.lines)}. Crossings: {summary['crossings']}."
    )
    _print_accounts(console, results)
    _print_finding_counts(console, results)
    _print_lines(console, results)
    _print_digs(console, results)
    for made in results.stakeouts:
        if made.targets is None:
            words = f"Stakeout list {made.request.name} could not be made: {made.reason}"
            console.print(f"[bold]{plain(words)}[/bold] {plain(made.remedy)}", soft_wrap=True)
    if files:
        console.print(f"Results in {plain(files[0].parent)}:")
        for path in files:
            console.print(f"  {plain(path.name)}")
    print_cautions(console)


def _print_digs(console: Console, results: Results) -> None:
    """Of each dig the line that it most likely touches; `asfound digs` tells the rest."""
    from asfound.deliver.dig_columns import digs_in_order, likeliest
    from asfound.units import length_unit

    if results.digs is None:
        return
    unit = length_unit(results.settings.length_unit)
    table = table_of("dig", "likeliest touched", f">clearance {unit.symbol}", ">contact")
    for _, item in digs_in_order(results.digs):
        near = likeliest(item)
        name = plain(f"{item.dig.kind} {item.dig.name}")
        if near is None:
            table.add_row(name, "no line within reach", "", "")
        else:
            clear = f"{near.clearance / unit.metres:.2f}"
            table.add_row(name, plain(near.line), clear, chance_words(near.p_contact))
    console.print(table)


def chance_words(probability: float) -> str:
    """A probability for people: never 0 or 100 %."""
    if probability < 0.001:
        return "< 0.1 %"
    if probability > 0.999:
        return "> 99.9 %"
    return f"{100 * probability:.1f} %"


def print_cautions(console: Console) -> None:
    from asfound.model import CAUTIONS

    for caution in CAUTIONS:
        console.print(f"[dim]! {plain(caution)}[/dim]", soft_wrap=True)


def _print_accounts(console: Console, results: Results) -> None:
    table = table_of("file", ">rows", ">shots", ">sweep readings", ">reported")
    for account in results.intake.accounts:
        table.add_row(
            plain(account.file),
            str(account.rows),
            str(account.shots),
            str(account.sweep_readings),
            str(account.reported),
        )
    console.print(table)


def _print_finding_counts(console: Console, results: Results) -> None:
    from asfound.model import Severity

    table = table_of("finding", ">fail", ">doubt", ">note", "what to do")
    for outcome in results.findings.outcomes:
        if len(outcome.index):
            counts = [str(int((outcome.severity == s).sum()) or "") for s in Severity]
            table.add_row(
                plain(outcome.rule.title),
                counts[Severity.FAIL],
                counts[Severity.DOUBT],
                counts[Severity.NOTE],
                plain(outcome.rule.remedy),
            )
    if table.row_count:
        console.print(table)
    else:
        console.print("No findings.")


def _print_lines(console: Console, results: Results) -> None:
    import numpy as np

    from asfound.deliver import envelope_95
    from asfound.model import Verdict
    from asfound.units import length_unit

    unit = length_unit(results.settings.length_unit)
    table = table_of(
        "line",
        "utility",
        ">shots",
        ">doubtful",
        ">unfit",
        ">length",
        ">across",
        ">at most",
        ">height",
        "verdict",
    )
    for line, verdict in zip(results.lines, results.line_verdict, strict=True):
        across, vertical = envelope_95(line.covariance, line.bearing)
        known = vertical[np.isfinite(vertical)]
        lacking = (
            "heights" if np.isfinite(results.intake.shots.depth[line.shots]).any() else "depths"
        )
        table.add_row(
            plain(line.name),
            line.utility.word,
            str(len(line.shots)),
            str(int((results.verdict[line.shots] == Verdict.DOUBTFUL).sum()) or ""),
            str(int((results.verdict[line.shots] == Verdict.UNFIT).sum()) or ""),
            f"{line.length / unit.metres:.1f}",
            f"{np.median(across) / unit.metres:.2f}",
            f"{np.max(across) / unit.metres:.2f}",
            f"{np.median(known) / unit.metres:.2f}" if len(known) else f"no {lacking}",
            Verdict(int(verdict)).word,
        )
    if table.row_count:
        console.print(table)
        console.print(
            f"Lengths in {unit.symbol}. Across: what holds the axis sideways with 95 %, median and "
            "at most; height: the same upward and downward, median.",
            soft_wrap=True,
        )


def _subject(results: Results, subject: str, index: int) -> str:
    if subject == "shot":
        return f"shot {results.shot_name(index)}"
    if subject == "line":
        return f"line {results.assembly.names[index]}"
    if subject == "source":
        return f"upload {results.intake.sources[index].tag}"
    return "job"


def findings(results: Results, *, json: bool) -> None:
    """Every finding and every reported row."""
    if json:
        print_json(
            {
                **_summary(results),
                "found": [
                    {
                        "rule": finding.rule.id,
                        "title": finding.rule.title,
                        "subject": _subject(results, finding.rule.subject, finding.index),
                        "severity": finding.severity.word,
                        "value": finding.value,
                        "limit": finding.limit,
                        "unit": finding.unit,
                        "detail": finding.detail,
                        "remedy": finding.rule.remedy,
                    }
                    for finding in results.findings
                ],
                "not_run": [
                    {"rule": rule.id, "why": why} for rule, why in results.findings.not_run
                ],
                "reported_rows": [_report_json(report) for report in results.intake.reports],
            }
        )
        return
    from asfound.units import length_unit, lengths_in

    unit = length_unit(results.settings.length_unit)
    console = console_for()
    table = table_of("about", "severity", "finding")
    for finding in results.findings:
        detail = lengths_in(finding.detail, unit)
        table.add_row(
            plain(_subject(results, finding.rule.subject, finding.index)),
            finding.severity.word,
            plain(f"{finding.rule.title}: {detail}" if detail else finding.rule.title),
        )
    console.print(table)
    for report in results.intake.reports:
        word = "remark" if report.accepted else "not a shot"
        console.print(
            f"{plain(report.file)}, line {report.line_number} ({word}): {plain(report.reason)} "
            f"{plain(report.remedy)}",
            soft_wrap=True,
        )
    counts = ", ".join(f"{n} {word}" for word, n in _verdict_counts(results.verdict).items())
    console.print(f"Shots: {counts}.")


def swept(results: Results, number: int, *, json: bool) -> None:
    """One sweep in full."""
    from asfound.cli.terminal_plot import plot_sweep
    from asfound.deliver import sweep_words
    from asfound.units import length_unit, lengths_in

    located = results.sweeps[number]
    facts, words = sweep_words(results, number)
    unit = length_unit(results.settings.length_unit)
    taken = [item for item in results.corrections if item.located == number]
    if json:
        print_json(
            {
                "sweep": located.name,
                "usable": not located.reason,
                "explained": located.explained,
                "line": results.assembly.names[located.line] if located.line >= 0 else "",
                "conductors": [
                    {
                        "is_the_line": k == located.target,
                        "position_m": c.position,
                        "depth_m": c.depth,
                        "position_sd_m": c.position_sd,
                        "depth_sd_m": c.depth_sd,
                        "current": c.current,
                        "current_is_relative": not located.gain_known,
                        "easting_m": c.easting,
                        "northing_m": c.northing,
                        "height_m": c.height,
                    }
                    for k, c in enumerate(located.conductors)
                ],
                "evidence": list(located.evidence),
                "p_value": located.p_value,
                "shown_peak_m": located.shown_peak,
                "shown_null_m": located.shown_null,
                "shown_depth_m": located.shown_depth,
                "words": [*facts, *words],
                "corrected_shots": [
                    {
                        "shot": results.shot_name(item.shot),
                        "depth_read_m": item.depth_before,
                        "depth_used_m": item.depth,
                        "moved_left_m": item.shift_left,
                        "reason": item.reason,
                    }
                    for item in taken
                ],
            }
        )
        return
    console = console_for()
    console.print(f"[bold]Sweep {plain(located.name)}[/bold]")
    for text in plot_sweep(results, number):
        console.print(plain(text), soft_wrap=True)
    for text in [*facts, *words]:
        console.print(plain(text), soft_wrap=True)
    for item in taken:
        said = (
            f"Shot {results.shot_name(item.shot)}: depth {item.depth_before:.2f} m as read, "
            f"{item.depth:.2f} m by {item.reason}."
        )
        console.print(plain(lengths_in(said, unit)), soft_wrap=True)
    print_cautions(console)


def frame_differences(
    latitude: float,
    longitude: float,
    epoch: float,
    differences: Sequence[FrameDifference],
    *,
    unit: str = "m",
    json: bool,
) -> None:
    from asfound.deliver import frames_plot
    from asfound.units import length_unit

    if json:
        print_json(
            {
                "latitude": latitude,
                "longitude": longitude,
                "epoch": epoch,
                "differences": [
                    {**item.__dict__, "standing": item.standing} for item in differences
                ],
            }
        )
        return
    console = console_for()
    console.print(f"At {latitude:.5f}, {longitude:.5f}, epoch {epoch:.2f}:")
    console.print("Shots of one frame taken for another are drawn off by:")
    table = table_of("really in", "taken for", ">east m", ">north m", ">up m", ">level m")
    for item in differences:
        table.add_row(
            plain(item.source),
            plain(item.target),
            *(
                f"{value:{form}}" if abs(value) < float("inf") else "not known"
                for value, form in (
                    (-item.east, "+.3f"),
                    (-item.north, "+.3f"),
                    (-item.up, "+.3f"),
                    (item.horizontal, ".3f"),
                )
            ),
        )
    console.print(table)
    for row in frames_plot(differences, length_unit(unit)):
        console.print(plain(row), soft_wrap=True)
    for item in differences:
        for words in filter(None, (item.words, item.standing)):
            said = words[:1].upper() + words[1:]
            console.print(plain(said if said.endswith(".") else said + "."), soft_wrap=True)


def demo_built(folder: JobFolder, *, json: bool) -> None:
    if json:
        print_json({"job": folder.path})
        return
    console = console_for()
    console.print(f"Built the invented demonstration job in {plain(folder.path)}.")
    console.print(f"Now: asfound process {plain(folder.path)}")
