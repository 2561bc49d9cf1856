"""The report: a PDF set by typst from data, with maps and profiles drawn as SVG.

User text reaches the template as data (JSON), never as markup, so that nothing in a name or note
can be taken for a typesetting command. Only the typefaces that come with the `typst` package are
used, and the file's date is the job's day: the same job gives the same bytes anywhere.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, time
from importlib.resources import files
from typing import Any

import numpy as np

from asfound.deliver.delivery import Delivery
from asfound.deliver.finding_columns import detail_text
from asfound.deliver.report import facts, listing
from asfound.deliver.report.accuracy import accuracy_section
from asfound.deliver.report.digs import digs_section
from asfound.deliver.report.facts import clean
from asfound.deliver.report.frames import frames_figure
from asfound.deliver.report.maps import as_data, map_pages
from asfound.deliver.report.profiles import line_panels
from asfound.deliver.report.stakeout import stakeout_pages
from asfound.deliver.report.sweeps import sweep_pages
from asfound.deliver.shot_columns import VERDICT_WORDS
from asfound.deliver.symbols import hex_colour
from asfound.units import lengths_in

_TEMPLATE = tuple(
    f"{part}.typ"
    for part in ("base", "front", "digs", "findings", "sweeps", "accuracy", "stakeout", "back")
)
# Room for maps on a page [mm]: paper less margins and the heading above the map.
_PAPER = {
    "a4": {False: (174.0, 242.0), True: (261.0, 155.0)},
    "us-letter": {False: (179.9, 224.4), True: (243.4, 160.9)},
}
MOST_LINE_PAGES = 80
_DRAWN = {"maps", "line_pages", "digs", "sweeps", "proof", "frames", "stakeouts"}  # large drawings


def report_pdf(delivery: Delivery) -> bytes:
    """The whole report."""
    return _compile(delivery, format="pdf")[0]


def report_pages(delivery: Delivery, *, resolution: float = 110.0) -> list[bytes]:
    """The pages as PNG pictures.

    Parameters
    ----------
    resolution : float
        Dots an inch.
    """
    return _compile(delivery, format="png", ppi=resolution)


def _compile(delivery: Delivery, **form: Any) -> list[bytes]:
    import typst

    source = "\n".join(
        files(__package__).joinpath(name).read_text(encoding="utf-8") for name in _TEMPLATE
    )
    day = delivery.about.day
    moment = datetime.combine(day, time(0), UTC) if day else datetime.fromtimestamp(0, UTC)
    data = json.dumps(report_data(delivery), ensure_ascii=True)
    made = typst.compile(
        source.encode(),
        ignore_system_fonts=True,
        sys_inputs={"data": data},
        timestamp=moment,
        **form,
    )
    return [bytes(page) for page in made] if isinstance(made, list) else [bytes(made)]


def report_data(delivery: Delivery) -> dict[str, Any]:
    """Everything the template sets."""
    paper = "a4" if delivery.about.unit.code == "m" else "us-letter"
    body = _PAPER[paper]
    data = {
        "paper": paper,
        "unit": delivery.about.unit.symbol,
        "grid_unit": delivery.about.grid_unit.symbol,
        "cover": facts.cover(delivery),
        "summary": facts.summary(delivery),
        "lines": facts.lines_table(delivery),
        "crossings": facts.crossings_table(delivery),
        "maps": as_data(map_pages(delivery, body)),
        "line_pages": _line_pages(delivery, body[False][0]),
        "more_lines": max(0, len(delivery.results.lines) - MOST_LINE_PAGES),
        "digs": digs_section(delivery, body[False][0]),
        "sweeps": sweep_pages(delivery, body[False][0]),
        "proof": accuracy_section(delivery, body[False][0]),
        "shots": listing.shots_table(delivery),
        "findings": listing.findings_list(delivery),
        "decisions": listing.decisions(delivery),
        "not_run": listing.rules_not_run(delivery),
        "uploads": facts.uploads(delivery),
        "operations": facts.operations(delivery),
        "frames": frames_figure(delivery, 150.0),
        "stakeouts": stakeout_pages(delivery),
        "terms": facts.terms(delivery),
        "factors": facts.factors(delivery),
        "accuracy": facts.accuracy(delivery),
        "reports": listing.row_reports(delivery),
    }
    in_words = {name: part for name, part in data.items() if name not in _DRAWN}
    data["undrawn"] = facts.undrawn(json.dumps(in_words, ensure_ascii=False))
    return data


def _line_pages(delivery: Delivery, width: float) -> list[dict[str, Any]]:
    """Plan strip and profile of each line; of very many lines the doubtful and long ones first."""
    results = delivery.results
    order = range(len(results.lines))
    if len(order) > MOST_LINE_PAGES:
        wanted = sorted(
            order, key=lambda k: (-int(results.line_verdict[k]), -results.lines[k].length, k)
        )
        order = sorted(wanted[:MOST_LINE_PAGES])  # type: ignore[assignment]
    pages = []
    for k in order:
        line = results.lines[k]
        pages.append(
            {
                "name": clean(line.name),
                "utility": line.utility.word,
                "colour": hex_colour(line.utility),
                "verdict": VERDICT_WORDS[int(results.line_verdict[k])],
                "remarks": _remarks(delivery, k),
                "panels": line_panels(delivery, k, width),
            }
        )
    return pages


def _remarks(delivery: Delivery, number: int) -> list[str]:
    """What a reader of a line's drawing must know."""
    line = delivery.results.lines[number]
    unit = delivery.about.unit
    remarks = []
    if line.length < float(np.nanmax(delivery.shapes[number].across_95)):
        remarks.append(
            "Its shots stand in one spot, closer together than they are sure: they show that "
            "something is there, not which way it runs."
        )
    for start, end in line.gaps.tolist():
        remarks.append(
            f"No shots support the axis from station {facts.quantity(delivery, start, 1)} to "
            f"{facts.quantity(delivery, end, 1)}: it is drawn across, not measured."
        )
    for gap_line, rank, reason in delivery.results.assembly.gaps:
        if gap_line == number and rank + 1 < len(line.shots):
            before, after = (delivery.shot_names[int(line.shots[r])] for r in (rank, rank + 1))
            remarks.append(
                clean(f"Doubtful join between {before} and {after}: {lengths_in(reason, unit)}.")
            )
    left_out = [delivery.shot_names[int(s)] for s in line.shots[~line.used]]
    if left_out:
        shown = ", ".join(left_out[:12]) + (" and more" if len(left_out) > 12 else "")
        remarks.append(f"Not used for the axis: {shown}.")
    for finding in delivery.results.findings.about("line", number)[:8]:
        remarks.append(
            clean(f"{finding.rule.title}. {detail_text(finding, unit)} {finding.rule.remedy}")
        )
    return remarks
