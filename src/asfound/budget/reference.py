"""The rules and the profile as pages of the reference, so that documentation can't drift."""

from __future__ import annotations

from asfound.budget.profile import default_text
from asfound.budget.rules import registered


def rules_reference() -> str:
    """Markdown page that lists every rule with its threshold, basis and remedy."""
    lines = [
        "# Rules",
        "",
        "Generated from the program by `make docs`. A finding of severity *doubt* makes a shot "
        "doubtful, *fail* makes it unfit, a *note* leaves its verdict. Thresholds can be changed "
        "per job or firm, see [profile](profile.md).",
        "",
    ]
    for card, _ in sorted(registered(), key=lambda item: item[0].id):
        lines += [
            f"## {card.id}",
            "",
            f"**{card.title}.** {card.checks}",
            "",
            f"- About: {card.subject}",
            f"- Threshold: {card.threshold}",
            f"- Basis: {card.basis}",
            f"- What to do: {card.remedy}",
            "",
        ]
    return "\n".join(lines)


def profile_reference() -> str:
    """Markdown page with every value of the default profile, what it is and where it is from."""
    titles = {card.id: card.title for card, _ in registered()}
    lines = [
        "# Profile",
        "",
        "Generated from the default profile by `make docs`. Error sizes (one standard deviation) "
        "and thresholds of the [rules](rules.md), in metres, degrees and seconds unless said "
        "otherwise. A job overrides any of them in `job.toml`; an unknown table, key or a value "
        "that makes no sense is refused, naming it:",
        "",
        "```toml",
        "[profile.pdop]",
        "doubt = 4.0",
        "```",
        "",
    ]
    about: list[str] = []
    table = ""
    for line in default_text().splitlines():
        if line.startswith("["):
            table, about = line, []
            title = titles.get(table.strip("[]"))
            lines += [f"## {table}", "", *([f"{title}.", ""] if title else [])]
        elif line.startswith("#") and table:
            about.append(line.lstrip("# "))
        elif "=" in line:
            if not lines[-1].startswith("| `"):
                lines += [" ".join(about), ""] if about else []
                lines += ["| value | default | what it is; basis |", "| --- | --- | --- |"]
            value, _, comment = line.partition("#")
            key, _, number = value.partition("=")
            lines.append(f"| `{key.strip()}` | {number.strip()} | {comment.strip()} |")
        elif not line and table:
            lines.append("")
    return "\n".join(lines) + "\n"
