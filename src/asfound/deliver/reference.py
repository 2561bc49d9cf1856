"""The reference page of outputs, made from the definitions that make the outputs."""

from __future__ import annotations

from asfound.deliver.columns import Column, Table
from asfound.deliver.csv_table import safe_cell
from asfound.deliver.dxf_entities import layer
from asfound.deliver.report import MOST_LINE_PAGES
from asfound.deliver.report.listing import MOST_REPORTS, MOST_SHOTS, MOST_SUBJECTS
from asfound.deliver.results_json import KEYS, SCHEMA
from asfound.deliver.tables import TABLES
from asfound.model import Utility, Verdict

_UNITS = {
    "": "",
    "length": "_L_",
    "grid": "_G_",
    "degree": "deg",
    "year": "year",
    "hertz": "Hz",
    "ampere": "mA",
}

_HEAD = """# What `out/` holds

Generated from the program. `asfound process JOB` writes all of this, whole or not at all, and \
the same uploads and settings give the same bytes on any day and any computer with the same \
version.

| file | for |
| --- | --- |
| `report.pdf` | People, print and archive: A4 for metric jobs, US Letter for foot jobs. |
| `shots.csv`, `lines.csv`, `crossings.csv`, `sweeps.csv`, \
`conductors.csv`, `accuracy-checks.csv`, `quality-levels.csv`, `digs.csv`, `approaches.csv`, \
`exposures.csv`, `hole-advice.csv`, `findings.csv`, `rows.csv` | Spreadsheets, scripts. |
| `csv-metadata.json`, `about.txt` | What the CSV files mean, for programs (W3C CSV on the \
Web) and for people. |
| `shots.geojson`, `lines.geojson`, `envelopes.geojson`, `crossings.geojson`, \
`quality-levels.geojson`, `sweeps.geojson`, `conductors.geojson`, `digs.geojson`, \
`tolerance-zones.geojson`, `approaches.geojson`, `exposures.geojson`, \
`hole-advice.geojson` | Web maps (RFC 7946). |
| `map.gpkg` | Desktop GIS: all layers and tables with styles, one file (OGC GeoPackage 1.4). |
| `map-shapefile.zip` | Programs that read nothing newer. |
| `map.kml` | Globes and phones (OGC KML). |
| `map.dxf` | CAD (R2018). |
| `stakeout/NAME.csv`, `.gpx`, `.kml`, `.geojson`, `.xml` (LandXML) | Controllers and phones: \
each stakeout list in the frame and epoch of its service, in walking order. |
| `stakeout/NAME.txt` | What to know before walking that list: read it first. |
| `results.json` | Programs: everything, untouched text, hashes of the raw files. |

Each carries the CRS with its code, the epoch, the vertical reference, the units, what the \
uncertainty means, and the cautions. Nothing in any of them gives leave to dig.

## Rules that hold everywhere

- **Units are in the names.** _L_ stands for the job's length unit and _G_ for the CRS's own unit: \
`m`, `ft` (international foot) or `ftUS` (US survey foot). A job in US survey feet has \
`depth_ftUS`, a metric one `depth_m`.
- **Empty means not known** (JSON: null). Zero is a value.
- Lengths and coordinates have 3 decimals, longitude and latitude 9 (0.1 mm), combined factors 9. \
All formats hold the same rounded numbers.
- **95 %** is the confidence of everything called uncertainty; `sd` is one standard deviation.
- A **verdict** (sound, doubtful, unfit) judges the measurement, not the ground. Colour says the \
utility; shape and word say the verdict.
- Text that came in is written as text, never as markup, formula or statement.
"""

_FORMATS = """## CSV

UTF-8 with a byte order mark, so that spreadsheets show accents; commas; CRLF; one header row; no \
comment lines. A text cell that a spreadsheet could take for a formula (it starts with \
`= + - @`, a tab or a line break, also behind blanks or quotes) gets a leading apostrophe: \
`{example}`. The untouched text stands in `results.json`. Control characters become U+FFFD.

## GeoJSON

Coordinates are longitude, latitude in the geographic base of the job's CRS at the job's epoch; \
the member `asfound` of each file names it. RFC 7946 knows WGS 84 only, which is nominal here: a \
bare "WGS 84" is itself good to a metre or two. Heights of line vertices, where known, are \
ellipsoidal in metres.

## GeoPackage

Layers `shots` (points on the ground), `lines` (axes; with Z in the CRS's unit if all heights are \
known), `envelopes` (95 % across), `crossings`, `quality_levels` (stretches; an exposed point is a \
piece of 0.2 m), `sweeps` (tapes), `conductors` (found under them), `digs` (what each takes in \
plan), `tolerance_zones` (around lines near digs, about the axis as drawn: the axis itself is \
uncertain), `approaches` (from each dig to each line near it, with Z; a stroke across the line \
where they meet), `exposures`, `hole_advice` (where to expose); tables `accuracy_checks`, \
`findings`, `rows`, `about`. `layer_styles` holds QML and SLD for each layer, used \
on opening where a program knows that table. Dates in the file are the job's day.

## Shapefile

`shots`, `lines`, `envelopes`, `crossings`, `quality_levels`, `sweeps`, `conductors`, `digs`, \
`tolerance_zones`, `approaches`, `exposures`, `hole_advice` with `.prj` \
and `.cpg` (UTF-8); `accuracy_checks.dbf`, `findings.dbf` and `rows.dbf`; `readme.txt` with \
facts, cautions and field names. Field names are the short names below, with the unit. Text is cut \
at 254 bytes.

## KML

Folders: lines, envelopes, shots (names), ticks, 95 % ellipses (off at first), crossings, sweeps, \
conductors under sweeps, planned digs, tolerance zones, nearest approaches, exposures, where to \
expose. No \
network links, no icons. Longitude and latitude as in GeoJSON.

## DXF

In the CRS's own unit, `$INSUNITS` 6 (metre), 2 (foot) or 21 (US survey foot). Layers in true \
colours, one set a utility and verdict:

| layer | holds |
| --- | --- |
| `{layer}` | Axis as a 3D polyline (2D without heights), ticks, a POINT at each conductor centre |
| `{layer}-ENVELOPE` | 95 % across the axis |
| `{layer}-ELLIPSE` | 95 % ellipses of shots, true to scale; dashed unless sound |
| `{layer}-TEXT` | Name and depth of shots, name of the line |
| `CONTROL`, `CROSSING`, `WORK-AREA` | Control checks, crossings, the work area |
| `SWEEP` | Tapes, and a POINT with its depth for each conductor found |
| `QUALITY-LEVEL` | Proposed level of each stretch as text, and a stroke where it ends |
| `DIG-NAME` | One a dig: edges of the solid as 3D polylines (bottom, top at the ground, walls; a \
bore's axis, four lines along its wall and a ring at each end), what it takes in plan, its name |
| `DIG-NAME-APPROACH` | From the dig to each line near it as a 3D polyline, with clearance and \
probability of contact |
| `TOLERANCE-ZONE`, `EXPOSURE`, `EXPOSE-HERE` | Zones around lines near digs; a POINT on the top \
of what was exposed; squares where a hole would settle most |
| `NOTES` | Facts and cautions as text; also in the drawing's properties |

Utilities: {utilities}. Verdicts: {verdicts}. A sound shot is a full tick across its line, a \
doubtful one an open tick, an unfit one a full tick struck through; a control check is a triangle. \
Plan symbols lie at elevation 0. Dates in the header are fixed.

## Report

Cover with facts, counts, cautions and frame; overview map and sheets; lines with plan strip and \
profile; every shot; findings with remedy, threshold and basis; how positions were computed; what \
the uncertainty is made of; accuracy and limits; row accounting. On paper there is an end: above \
{shots:,} shots only those not sound are listed, above {lines} lines only the doubtful and longest \
are drawn, a rule lists {subjects} subjects and {reports} reported rows are printed; the report \
says so and names the file with all of them. Where envelopes and ellipses would be too small to \
see on a map they are drawn larger, and the key says how many times.
"""


def outputs_reference() -> str:
    """The page `docs/reference/outputs.md`."""
    name = layer(Utility.GAS, Verdict.SOUND)
    parts = [
        _HEAD,
        _FORMATS.format(
            example=safe_cell("=1+1"),
            layer=name,
            utilities=", ".join(f"`{utility.name}`" for utility in Utility),
            verdicts=", ".join(f"`{verdict.name}`" for verdict in Verdict),
            shots=MOST_SHOTS,
            lines=MOST_LINE_PAGES,
            subjects=MOST_SUBJECTS,
            reports=MOST_REPORTS,
        ),
        _json_part(),
        *(_table_part(table) for table in TABLES.values()),
    ]
    return "\n".join(parts)


def _json_part() -> str:
    lines = [
        "## results.json",
        "",
        f"UTF-8, one JSON object, one record a line, keys in this order. `schema` is `{SCHEMA}`; "
        "a change of the layout changes it.",
        "",
        "| key | holds |",
        "| --- | --- |",
    ]
    return "\n".join([*lines, *(f"| `{key}` | {words} |" for key, words in KEYS.items()), ""])


def _table_part(table: Table) -> str:
    lines = [
        f"## Table: {table.name}",
        "",
        f"One row is {table.row}.",
        "",
        "| column | short name | kind | meaning |",
        "| --- | --- | --- | --- |",
    ]
    return "\n".join([*lines, *(_row(column) for column in table.columns), ""])


def _row(column: Column) -> str:
    unit = _UNITS[column.quantity]
    name = f"`{column.name}`" + (f"_{unit}" if unit else "")
    short = f"`{column.short}`" + (f"_{unit}" if column.quantity in ("length", "grid") else "")
    return f"| {name} | {short} | {column.kind} | {column.heading}. {column.description} |"
