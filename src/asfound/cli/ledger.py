"""`asfound ledger`, `release`, `check-release`: what was done to a job, what was handed over."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from asfound.cli import show
from asfound.cli.options import JobArgument, JsonOption

if TYPE_CHECKING:
    from asfound.folder import JobFolder
    from asfound.folder.release import Reproduction
    from asfound.store import Entry, Head, LedgerCheck
    from asfound.store.release_check import ReleaseCheck

DOES_NOT_HOLD = 8

ledger = typer.Typer(
    name="ledger",
    no_args_is_help=True,
    help="What was done to a job, when and by whom: an append-only record.",
)

WhoOption = Annotated[str, typer.Option("--who", help="Who does it; the login's name if left out.")]


def note(
    folder: JobFolder, *, created: bool = False, processed: Sequence[Path] | None = None
) -> None:
    """Note in the job's ledger what a command did; a ledger that can't be written stops no one."""
    from asfound.errors import AsfoundError
    from asfound.folder import ledger as folder_ledger

    try:
        folder_ledger.note(folder, created=created, processed=processed)
    except AsfoundError as error:
        show.console_for(error=True).print(
            "The ledger could not be written; the job's files are as they should be, and the next "
            f"command notes what is missing. {show.plain(str(error))}"
        )


@ledger.command("show")
def show_ledger(
    job: JobArgument,
    after: Annotated[int, typer.Option(help="Only entries after this one.")] = 0,
    json: JsonOption = False,
) -> None:
    """Show a job's ledger: each entry with its time, who, and what was done."""
    from asfound.folder import open_job
    from asfound.folder.ledger import read_ledger

    entries = [entry for entry in read_ledger(open_job(job)) if entry.sequence > after]
    if json:
        show.print_json([{"job": entry.job, **entry.body()} for entry in entries])
        return
    table = show.table_of(">entry", "time (UTC)", "who", "what")
    for entry in entries:
        table.add_row(
            str(entry.sequence),
            entry.time[:19].replace("T", " "),
            show.plain(entry.who),
            show.plain(_words(entry)),
        )
    show.console_for().print(table)


@ledger.command()
def verify(
    job: JobArgument,
    release: Annotated[
        list[Path] | None,
        typer.Option(
            help="A release of this job; this ledger must go on from its ledger. Repeatable.",
            show_default=False,
        ),
    ] = None,
    database: Annotated[
        str, typer.Option(help="Of a desk that doesn't use SQLite: postgresql://USER@HOST/NAME.")
    ] = "",
    json: JsonOption = False,
) -> None:
    """Check that no entry was changed, taken out or put in, and the raw files are those noted.

    JOB may be a desk's folder (its --data): then all its jobs are checked, and their releases.
    Whoever can write the file can also write a whole new ledger that holds; a release that was
    handed over before shows that. Give it with --release.
    """
    from asfound.folder import open_job
    from asfound.folder.ledger import verify_ledger

    heads = [_head_of(path) for path in release or []]
    if database or ((job / "blobs").is_dir() and (job / "keys").is_dir()):
        _verify_desk(job, database, heads, json=json)
        return
    check = verify_ledger(open_job(job), heads=heads)
    if json:
        show.print_json(_check_tree(check))
    else:
        console = show.console_for()
        for fault in check.faults:
            at = f"Entry {fault.sequence}" if fault.sequence else "Ledger"
            console.print(f"{at}: {show.plain(fault.what)}.")
        if check.sound:
            console.print(f"The ledger holds: {check.head.size} entries, root {check.head.root}")
            for head in heads:
                console.print(f"It grew out of the release's {head.size} entries.")
        else:
            console.print("The ledger does not hold. Restore the job from a backup and compare.")
    if not check.sound:
        raise typer.Exit(DOES_NOT_HOLD)


def _verify_desk(data: Path, database: str, heads: Sequence[Head], *, json: bool) -> None:
    from asfound.desk.config import DeskConfig
    from asfound.desk.verifying import verify_desk

    checks = verify_desk(DeskConfig(data.resolve(), database), heads=heads)
    if json:
        show.print_json([{"job": one.job, **_check_tree(one.ledger)} for one in checks])
    else:
        console = show.console_for()
        for one in checks:
            for fault in one.ledger.faults:
                at = f"entry {fault.sequence}" if fault.sequence else "ledger"
                console.print(f"{one.job}, {at}: {show.plain(fault.what)}.")
            if one.ledger.sound:
                head = one.ledger.head
                console.print(
                    f"{one.job} holds: {head.size} entries, {one.files} raw files, "
                    f"{one.releases} releases, root {head.root}"
                )
        if not all(one.ledger.sound for one in checks):
            console.print("The desk does not hold. Restore it from a backup and compare.")
    if not all(one.ledger.sound for one in checks):
        raise typer.Exit(DOES_NOT_HOLD)


def release(
    job: JobArgument,
    name: Annotated[str, typer.Option(help="Of the release, such as 'Issue A'.")],
    key: Annotated[
        Path | None,
        typer.Option(
            help="File of the signing key (PEM), made if it isn't there; left out: one of your own "
            "in the settings folder of your login.",
            show_default=False,
        ),
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option(help="Zip to write; left out: in the job's releases/.", show_default=False),
    ] = None,
    who: WhoOption = "",
    json: JsonOption = False,
) -> None:
    """Process a job and freeze it into a signed release: deliverables, raw files, ledger.

    Anyone can check it with asfound check-release, or with sha256sum and openssl as its CHECK.txt
    says.
    """
    from asfound.folder.release import release_job
    from asfound.store import read_key

    place = key or Path(typer.get_app_dir("asfound")) / "release-key.pem"
    new = not place.exists()
    signing_key = read_key(place, create=True)
    with show.steps(quiet=json) as step:
        built = release_job(job, name, signing_key, target=to, who=who, progress=step)
    if json:
        show.print_json(
            {
                "path": str(built.path),
                "manifest_sha256": built.manifest_sha256,
                "public_key": built.public_key,
                "signature": built.signature,
                "ledger": _head_tree(built.head),
            }
        )
        return
    console = show.console_for()
    console.print(f"Release {show.plain(name)}: {show.plain(str(built.path))}")
    console.print(f"Ledger: {built.head.size} entries, root {built.head.root}")
    if new:
        console.print(
            f"A signing key was made: {show.plain(str(place))}. Keep it safe, and back it up."
        )
    console.print(
        f"Your public key: {built.public_key}\n"
        "Tell it to whoever gets the release by another way than the release itself."
    )


def check_release(
    path: Annotated[
        Path, typer.Argument(help="The release's zip, or its unpacked folder.", show_default=False)
    ],
    key: Annotated[
        str,
        typer.Option(help="Public key it must be signed with: its 44 characters, or a PEM file."),
    ] = "",
    reproduce: Annotated[
        bool,
        typer.Option(
            "--reproduce", help="Also make the deliverables again from the raw files in it."
        ),
    ] = False,
    json: JsonOption = False,
) -> None:
    """Check that nothing in a release was changed since it was signed, and by whom."""
    from asfound.store.release_check import verify_release

    with show.steps(quiet=json) as step:
        step("Checking the release")
        check = verify_release(path, public_key=_public_key(key) if key else None)
        again = None
        if reproduce and check.sound:
            from asfound.folder.release import reproduce_release

            again = reproduce_release(path, progress=step)
    if json:
        show.print_json(_release_tree(check, again))
    else:
        _print_check(check)
        if again is not None:
            _print_reproduction(again)
    if not check.sound or (again is not None and not again.complete):
        raise typer.Exit(DOES_NOT_HOLD)


def _public_key(text: str) -> str:
    from asfound.store.signing import public_key_text

    path = Path(text)
    data = path.read_bytes() if len(text) < 1000 and path.is_file() else text.encode()
    return public_key_text(data, where="--key")


def _print_check(check: ReleaseCheck) -> None:
    console = show.console_for()
    for fault in check.faults:
        console.print(f"{show.plain(fault[:1].upper() + fault[1:])}.")
    if not check.sound:
        console.print("The release does not hold. Get it again from whoever made it.")
        return
    manifest = check.manifest
    console.print(
        f"The release holds: {show.plain(manifest['name'])}, {show.plain(manifest['title'])}"
    )
    console.print(
        f"{len(check.files)} files, made by asfound {show.plain(manifest['version'])}; "
        f"ledger of {check.head.size} entries, root {check.head.root}"
    )
    console.print(f"Signed with the key {check.public_key}")
    if check.known_key:
        console.print("That is the key you gave.")
    else:
        console.print(
            "Nothing was changed since it was signed. Whose key that is only they can tell you: "
            "ask them, and give it with --key."
        )


def _print_reproduction(again: Reproduction) -> None:
    console = show.console_for()
    for words, names in (
        ("Comes out different", again.different),
        ("Does not come out", again.missing),
        ("Comes out too", again.extra),
    ):
        for name in names:
            console.print(f"{words}: {show.plain(name)}")
    for name, (then, now) in again.libraries.items():
        console.print(f"{show.plain(name)} was {show.plain(then)}, is {show.plain(now)}.")
    total = len(again.same) + len(again.different) + len(again.missing)
    console.print(
        f"Made again from its raw files: {len(again.same)} of {total} deliverables are the same, "
        "byte for byte."
    )


def _head_of(path: Path) -> Head:
    from asfound.errors import InputError
    from asfound.store.release_check import verify_release

    check = verify_release(path)
    if not check.sound:
        raise InputError(
            f"the release does not hold: {check.faults[0]}.",
            where=str(path),
            remedy="Give one that does; asfound check-release shows it.",
        )
    return check.head


def _words(entry: Entry) -> str:
    """An entry in a line for people."""
    body = entry.payload
    match entry.action:
        case "job-created":
            return "started the job"
        case "ledger-started":
            return f"started the ledger on a job that held {len(body['files'])} files"
        case "settings-changed":
            return "noted job.toml as it now stands"
        case "upload-added":
            return f"added {body['name']} ({body['size']} bytes)"
        case "upload-removed":
            return f"removed an upload: {body['why']}"
        case "mapping-changed":
            return "changed the mapping of an upload"
        case "decision":
            value = f" {body['value']}" if body.get("value") else ""
            count = len(body["shots"])
            shots = f"{count} shot{'' if count == 1 else 's'}"
            return f"{body['id']}: {body['kind']}{value}, {shots}: {body['why']}"
        case "decision-undone":
            return f"took back {body['id']}: {body['why']}"
        case "file-changed":
            return f"noted {body['path']} as it now stands"
        case "file-removed":
            return f"removed {body['path']}"
        case "processed":
            return f"processed the job as of entry {body['head']}: {len(body['files'])} files"
        case "released":
            return f"released {body['name']}"
        case other:
            return other.replace("-", " ")


def _head_tree(head: Head) -> dict[str, Any]:
    return {"job": head.job, "size": head.size, "root": head.root}


def _check_tree(check: LedgerCheck) -> dict[str, Any]:
    return {
        "holds": check.sound,
        "ledger": _head_tree(check.head),
        "faults": [{"entry": fault.sequence, "what": fault.what} for fault in check.faults],
    }


def _release_tree(check: ReleaseCheck, again: Reproduction | None) -> dict[str, Any]:
    tree: dict[str, Any] = {
        "holds": check.sound,
        "faults": list(check.faults),
        "public_key": check.public_key,
        "expected_key": check.known_key,
        "manifest": check.manifest,
    }
    if again is not None:
        tree["reproduced"] = {
            "complete": again.complete,
            "same": list(again.same),
            "different": list(again.different),
            "missing": list(again.missing),
            "extra": list(again.extra),
            "libraries": {k: {"then": a, "now": b} for k, (a, b) in again.libraries.items()},
        }
    return tree
