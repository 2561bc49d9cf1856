"""The rules as a page of the reference, so that documentation can't drift."""

from __future__ import annotations

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
