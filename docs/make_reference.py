"""Write the generated pages of `docs/reference/`.

Run by `make docs`; a test fails when a page is not what this would write.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

REFERENCE = Path(__file__).parent / "reference"


def command_line() -> str:
    """Every command with its arguments and options, and the exit codes."""
    import typer.main

    from asfound.cli.app import EXIT_CODES, app

    lines = [
        "# Command line",
        "",
        "Generated from the program by `make docs`. Results go to standard output, progress and "
        "errors to standard error. `--json` prints one JSON document instead, errors included. "
        "`asfound --install-completion` sets up completion for your shell.",
        "",
    ]
    for name, command in sorted(commands_of(typer.main.get_command(app)).items()):
        arguments = [p for p in command.params if p.param_type_name == "argument"]
        options = [p for p in command.params if p.param_type_name == "option"]
        words = " ".join(
            f"{(p.metavar or p.name).upper()}{'...' if p.nargs == -1 else ''}" for p in arguments
        )
        lines += [
            f"## asfound {name}",
            "",
            f"`asfound {name} {words} [OPTIONS]`".replace("  ", " "),
        ]
        lines += ["", " ".join(command.help.split()), ""]
        lines += ["| argument or option | meaning |", "| --- | --- |"]
        for parameter in arguments:
            lines.append(
                f"| `{(parameter.metavar or parameter.name).upper()}` | {parameter.help} |"
            )
        for parameter in options:
            names = ", ".join(f"`{option}`" for option in parameter.opts)
            lines.append(f"| {names} | {parameter.help} |")
        lines.append("")
    lines += ["## Exit codes", "", "| code | meaning |", "| --- | --- |"]
    lines += [f"| {code} | {meaning} |" for code, meaning in EXIT_CODES.items()]
    return "\n".join(lines) + "\n"


def commands_of(group: Any, before: str = "") -> dict[str, Any]:
    """Every command by its full name, those of groups such as `ledger show` too."""
    found: dict[str, Any] = {}
    for name, command in group.commands.items():
        if hasattr(command, "commands"):
            found |= commands_of(command, f"{before}{name} ")
        else:
            found[f"{before}{name}"] = command
    return found


def pages() -> dict[str, str]:
    """File name and content of every generated page."""
    from asfound.budget import profile_reference, rules_reference
    from asfound.deliver import outputs_reference
    from asfound.desk.reference import api_reference

    return {
        "api.md": api_reference(),
        "command-line.md": command_line(),
        "rules.md": rules_reference(),
        "profile.md": profile_reference(),
        "outputs.md": outputs_reference(),
    }


def main() -> None:
    for name, text in pages().items():
        (REFERENCE / name).write_text(text, encoding="utf-8")
        print(f"wrote docs/reference/{name}")


if __name__ == "__main__":
    main()
