"""`asfound decide`, `undo` and `decisions`: what people say of shots and lines, with the reason."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from asfound.cli import ledger, show
from asfound.cli.options import JobArgument, JsonOption
from asfound.errors import InputError

if TYPE_CHECKING:
    from asfound.folder import Decided, JobFolder
    from asfound.model import ShotKey

WhyOption = Annotated[str, typer.Option("--why", help="The reason; always needed.")]
WhoOption = Annotated[str, typer.Option("--who", help="Who decides; the login's name if left out.")]


def decide(
    job: JobArgument,
    kind: Annotated[
        str,
        typer.Argument(
            help="accept, reject, set-utility, set-hook-up, set-antenna-height, split, join or "
            "rename.",
            show_default=False,
        ),
    ],
    shots: Annotated[
        list[str],
        typer.Argument(help="Shots, such as A-17 or a range A-17..A-30.", show_default=False),
    ],
    why: WhyOption,
    value: Annotated[
        str, typer.Option(help="Utility, hook-up, antenna height ('1.8 m', '6 ft') or new name.")
    ] = "",
    who: WhoOption = "",
    json: JsonOption = False,
) -> None:
    """Accept or reject shots, correct what their log says, split, join or rename lines.

    The raw files stay as they are: the decision is kept beside them and takes effect when the
    job is processed next.
    """
    from asfound.folder import add_decision, open_job, shot_keys
    from asfound.intake.hints import pole_height

    folder = open_job(job)
    if kind == "set-antenna-height":
        value = f"{pole_height(value, where='--value'):.4f}"
    for name in shots:
        _check_shots(folder, name)
    decision = add_decision(folder, kind, shot_keys(folder, shots), why=why, value=value, who=who)
    ledger.note(folder)
    if json:
        show.print_json(_tree(decision))
        return
    console = show.console_for()
    console.print(
        f"Decision {decision.id} is on file: {show.plain(kind)} {show.plain(', '.join(shots))}."
    )
    console.print(f"Process the job to see what it does: asfound process {show.plain(str(job))}")


def undo(
    job: JobArgument,
    name: Annotated[str, typer.Argument(help="The decision, such as d3.", show_default=False)],
    why: WhyOption,
    who: WhoOption = "",
    json: JsonOption = False,
) -> None:
    """Take a decision back; it stays on file with who took it back and why."""
    from asfound.folder import open_job, undo_decision

    folder = open_job(job)
    decision = undo_decision(folder, name, why=why, who=who)
    ledger.note(folder)
    if json:
        show.print_json(_tree(decision) | {"undone": True})
        return
    show.console_for().print(f"Decision {decision.id} ({show.plain(decision.kind)}) is taken back.")


def decisions(job: JobArgument, json: JsonOption = False) -> None:
    """List a job's decisions, also those taken back."""
    from asfound.folder import list_decisions, list_uploads, open_job

    folder = open_job(job)
    decided = list_decisions(folder)
    if json:
        show.print_json({"decisions": [_item(item) for item in decided]})
        return
    console = show.console_for()
    if not decided:
        console.print("No decisions on file.")
        return
    table = show.table_of("id", "decision", "shots", "value", "who", "when", "why", "taken back")
    tags = {record.sha256: record.tag for record in list_uploads(folder)}
    for item in decided:
        decision, undone = item.decision, item.undone
        table.add_row(
            show.plain(decision.id),
            decision.kind,
            show.plain(_names(decision.shots, tags)),
            show.plain(decision.value_words),
            show.plain(decision.who),
            f"{decision.when:%Y-%m-%d %H:%M}",
            show.plain(decision.why),
            "" if undone is None else show.plain(f"{undone.who}: {undone.why}"),
        )
    console.print(table)


def _check_shots(folder: JobFolder, name: str) -> None:
    """Refuse a slip of the finger: a shot, or a range without one, that the job does not have."""
    from asfound.folder import read_intake, shot_keys

    keys = shot_keys(folder, [name])
    intake = read_intake(folder)
    for number, source in enumerate(intake.sources):
        rows = {key.row for key in keys if key.upload == source.sha256}
        if rows and rows & set(intake.shots.row[intake.shots.source == number].tolist()):
            return
    raise InputError(
        f"the job has no shot {name}.",
        where=str(folder.path),
        remedy="asfound explain shows a shot and its raw row; out/shots.csv lists them.",
    )


def _names(shots: Sequence[ShotKey], tags: dict[str, str]) -> str:
    """Shots as people call them, those in a row as a range."""
    parts: list[list[ShotKey]] = []
    for key in shots:
        if parts and parts[-1][-1].upload == key.upload and parts[-1][-1].row + 1 == key.row:
            parts[-1].append(key)
        else:
            parts.append([key])

    def name(key: ShotKey) -> str:
        return f"{tags.get(key.upload, key.upload[:8])}-{key.row}"

    return ", ".join(
        name(part[0]) if len(part) == 1 else f"{name(part[0])}..{name(part[-1])}" for part in parts
    )


def _tree(decision: Any) -> dict[str, Any]:
    return {
        "id": decision.id,
        "kind": decision.kind,
        "shots": [f"{key.upload}:{key.row}" for key in decision.shots],
        "value": decision.value,
        "who": decision.who,
        "when": decision.when.isoformat(),
        "why": decision.why,
    }


def _item(item: Decided) -> dict[str, Any]:
    tree = _tree(item.decision)
    if item.undone is not None:
        undone = item.undone
        tree["undone"] = {"who": undone.who, "when": undone.when.isoformat(), "why": undone.why}
    return tree
