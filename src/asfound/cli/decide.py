"""`asfound decide`, `undo` and `decisions`: what people say of shots and lines, with the reason."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from asfound.cli import ledger, show

if TYPE_CHECKING:
    from asfound.folder import Decided

JobArgument = Annotated[Path, typer.Argument(help="The job's folder.", show_default=False)]
WhyOption = Annotated[str, typer.Option("--why", help="The reason; always needed.")]
WhoOption = Annotated[str, typer.Option("--who", help="Who decides; the login's name if left out.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for machines.")]


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
    from asfound.folder import list_decisions, open_job

    decided = list_decisions(open_job(job))
    if json:
        show.print_json({"decisions": [_item(item) for item in decided]})
        return
    console = show.console_for()
    if not decided:
        console.print("No decisions on file.")
        return
    table = show.table_of("id", "decision", ">shots", "value", "who", "when", "why", "taken back")
    for item in decided:
        decision, undone = item.decision, item.undone
        table.add_row(
            show.plain(decision.id),
            decision.kind,
            str(len(decision.shots)),
            show.plain(decision.value),
            show.plain(decision.who),
            f"{decision.when:%Y-%m-%d %H:%M}",
            show.plain(decision.why),
            "" if undone is None else show.plain(f"{undone.who}: {undone.why}"),
        )
    console.print(table)


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
