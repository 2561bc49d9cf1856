"""How an uploaded file seems to be meant, shown for confirmation, and a person's answers to it."""

from __future__ import annotations

from collections.abc import Mapping as Dictionary
from dataclasses import dataclass, replace
from typing import Any

from asfound.desk.context import Desk
from asfound.desk.problems import desk_words
from asfound.errors import InputError
from asfound.intake import (
    Column,
    Doubt,
    Mapping,
    MappingGuess,
    Upload,
    guess_mapping,
    mapping_to_toml,
)
from asfound.intake.mapping_file import forms_of, units_of
from asfound.intake.open_questions import open_questions
from asfound.intake.quantities import QUANTITIES
from asfound.model import Utility

HINTS = (
    "kind", "frame", "epoch", "heights", "geoid", "zone", "receiver", "antenna_height",
    "position_of", "depth_to", "utility", "hookup", "crew", "position_accuracy",
)  # fmt: skip
"""What a person can declare beside a file."""

FIELD_OF_DOUBT = {"time": "zone"}


@dataclass(frozen=True)
class Asked:
    """A question or a remark on a guess, in words for a page."""

    field: str
    what: str
    why: str
    remedy: str

    def body(self) -> dict[str, str]:
        """As the API says it."""
        return {"field": self.field, "what": self.what, "why": self.why, "remedy": self.remedy}


def guess(
    desk: Desk, job: str, sha256: str, name: str, hints: Dictionary[str, Any]
) -> MappingGuess:
    """The guess for a file that is on the server.

    Raises
    ------
    InputError
        If the file is no table, or a hint can't be used.
    """
    from asfound.desk.actions import checked_settings

    frame = checked_settings(desk, desk.state(job).settings).frame.crs
    given = {key: value for key, value in hints.items() if value not in ("", None, {})}
    return guess_mapping(desk.blobs.path(sha256), name, hints={"job_crs": frame, **given})


def clean_hints(given: Dictionary[str, Any]) -> dict[str, Any]:
    """Hints as a form or JSON gives them, with unknown ones refused.

    Raises
    ------
    InputError
        If one is unknown.
    """
    for key in given:
        if key not in (*HINTS, "units"):
            raise InputError(
                f"there is no declaration '{key}'.",
                where=str(key),
                remedy=f"Known: {', '.join(HINTS)}, units.",
            )
    return {key: value for key, value in given.items() if value not in ("", None)}


def guess_body(found: MappingGuess) -> dict[str, Any]:
    """A guess as the API says it."""
    read = {str(column.column): name for name, column in found.mapping.columns.items()}
    return {
        "format": found.mapping.format,
        "kind": found.mapping.kind,
        "mapping": mapping_to_toml(found.mapping),
        "columns": [
            {
                "column": title or number,
                "quantity": read.get(title) or read.get(str(number)) or "",
                **_how(found.mapping, read.get(title) or read.get(str(number)) or ""),
                "sample": next((row[number - 1] for row in found.preview if row[number - 1]), ""),
                "samples": [row[number - 1] for row in found.preview],
            }
            for number, title in enumerate(found.titles, 1)
        ],
        "unused": list(found.unused()),
        "declared": declared(found.mapping),
        "questions": [asked(one).body() for one in found.ambiguities],
        "doubts": [asked(one).body() for one in found.doubts],
        "rows": [list(row) for row in found.preview],
    }


def _how(mapping: Mapping, quantity: str) -> dict[str, Any]:
    column = mapping.columns.get(quantity)
    if column is None:
        return {"title": "", "unit": "", "form": "", "hemisphere": ""}
    return {
        "title": QUANTITIES[quantity].title,
        "unit": column.unit,
        "form": column.form,
        "hemisphere": column.hemisphere,
    }


def asked(doubt: Doubt) -> Asked:
    """A doubt in words for a page."""
    field = FIELD_OF_DOUBT.get(doubt.field, doubt.field)
    return Asked(field, doubt.what, doubt.why, desk_words(None, doubt.remedy))


def declared(mapping: Mapping) -> dict[str, Any]:
    """What is taken for the whole file, by the names of `HINTS`."""
    height = mapping.antenna_height
    return {
        "kind": mapping.kind,
        "frame": mapping.frame.crs,
        "epoch": "" if mapping.frame.epoch is None else repr(mapping.frame.epoch),
        "heights": mapping.frame.height_kind,
        "geoid": mapping.frame.geoid,
        "zone": mapping.time_zone,
        "receiver": mapping.receiver,
        "antenna_height": f"{height:g} m" if height == height else "",
        "position_of": mapping.position_of,
        "depth_to": mapping.depth_to,
        "utility": "" if mapping.utility is Utility.UNKNOWN else mapping.utility.word,
        "hookup": mapping.hookup,
        "crew": mapping.crew,
        "position_accuracy": f"{mapping.position_accuracy:g}" if mapping.position_accuracy else "",
    }


def with_columns(mapping: Mapping, titles: tuple[str, ...], form: Dictionary[str, str]) -> Mapping:
    """A mapping with the columns as a form has them.

    Parameters
    ----------
    form : dict
        ``quantity.N``, ``unit.N`` and ``form.N`` for the N-th column of the file, from 1.

    Raises
    ------
    InputError
        If two columns are taken for the same, or a unit doesn't fit.
    """
    before = {str(column.column): name for name, column in mapping.columns.items()}
    added = {str(part.column) for column in mapping.columns.values() for part in column.plus}
    columns: dict[str, Column] = {}
    for number, title in enumerate(titles, 1):
        key = str(number)
        if f"quantity.{key}" not in form or title in added or key in added:
            continue
        quantity = form[f"quantity.{key}"]
        if not quantity:
            continue
        where = f"quantity.{key}"
        if quantity not in QUANTITIES:
            raise InputError(
                f"'{quantity}' is nothing a column can hold.", where=where, remedy="Choose another."
            )
        if quantity in columns:
            raise InputError(
                f"two columns are taken for the {QUANTITIES[quantity].title}.",
                where=where,
                remedy="Let one of them be not used.",
            )
        old = mapping.columns.get(before.get(title) or before.get(key) or "")
        same = old is not None and mapping.columns.get(quantity) == old
        base = old if same and old is not None else Column(title or number)
        title_of = QUANTITIES[quantity].title
        unit = _chosen(
            form.get(f"unit.{key}", base.unit), units_of(QUANTITIES[quantity]),
            f"unit.{key}", f"the unit of the {title_of}",
        )  # fmt: skip
        forms = forms_of(QUANTITIES[quantity])
        if same or QUANTITIES[quantity].dimension not in ("time", "geographic"):
            forms = ("", *forms)
        shape = _chosen(
            form.get(f"form.{key}", base.form), forms,
            f"form.{key}", f"how the {title_of} is written",
        )  # fmt: skip
        half = form.get(f"hemisphere.{key}", base.hemisphere)
        columns[quantity] = replace(base, unit=unit, form=shape, hemisphere=half)
    # What is mapped by other means than a title of this file stays.
    for name, column in mapping.columns.items():
        here = str(column.column) in titles or str(column.column).isdigit()
        if not here and name not in columns:
            columns[name] = column
    return replace(mapping, columns=columns)


def _chosen(value: str, allowed: tuple[str, ...], where: str, what: str) -> str:
    """A choice from a list; the only one where there is no choice, never a guess where there is."""
    if value in allowed:
        return value
    if len(allowed) == 1:
        return allowed[0]
    raise InputError(
        f"{what} is not chosen.",
        where=where,
        remedy=f"Choose one of {', '.join(word for word in allowed if word)}.",
    )


def left_open(mapping: Mapping) -> list[Asked]:
    """What a mapping still leaves open."""
    return [asked(one) for one in open_questions(mapping)]


def choices() -> dict[str, Any]:
    """What a form can offer for each quantity."""
    return {
        name: {
            "title": quantity.title,
            "units": [unit for unit in units_of(quantity) if unit],
            "forms": [form for form in forms_of(quantity) if form],
        }
        for name, quantity in QUANTITIES.items()
    }


def upload_body(upload: Upload) -> dict[str, Any]:
    """What was read of an upload."""
    account = upload.account
    return {
        "rows": account.rows,
        "shots": account.shots,
        "sweeps": len(upload.sweeps),
        "reported": account.reported,
        "reports": [
            {
                "row": report.row,
                "line": report.line_number,
                "reason": report.reason,
                "remedy": report.remedy,
                "accepted": report.accepted,
            }
            for report in upload.reports[:100]
        ],
    }
