"""The invented demonstration job on a desk, taken in by the same way as any upload."""

from __future__ import annotations

import secrets
import tomllib
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from asfound.demo import RETURN_VISIT, generate
from asfound.desk import actions
from asfound.desk.context import Desk
from asfound.desk.guard import Identity
from asfound.desk.guessing import guess
from asfound.desk.state import DIG_KINDS, SINGLE_KINDS
from asfound.errors import InputError
from asfound.folder import stakeouts_text
from asfound.intake import mapping_to_toml
from asfound.units import length_unit

ADMINISTRATOR = "demo"
LENGTHS = (
    "points", "corners", "easting", "northing", "width", "depth", "elevation", "diameter",
    "pilot_diameter", "final_diameter", "top_depth", "ground_height", "outside_diameter",
    "horizontal_sd", "vertical_sd",
)  # fmt: skip
"""Keys of `digs.toml` that hold lengths."""


@dataclass(frozen=True)
class DemoDesk:
    """What was made.

    Parameters
    ----------
    job : str
        Id of the demonstration job.
    name, password : str
        Of the administrator; the password is empty where there was one before.
    """

    job: str
    name: str
    password: str


def add_demo(desk: Desk, seed: int = 7) -> DemoDesk:
    """Put the demonstration job on a desk, once; and an administrator where there is no one.

    Raises
    ------
    AsfoundError
        If something keeps it from being taken in.
    """
    password = ""
    if not desk.store.has_users():
        password = "-".join(secrets.token_hex(3) for _ in range(3))
        desk.store.create_first_administrator(ADMINISTRATOR, password)
    demo = generate(seed)
    settings = replace(demo.settings, invented=True)
    for job in desk.store.list_jobs():
        if job.title == settings.name:
            return DemoDesk(job.id, ADMINISTRATOR, password)
    who = Identity(ADMINISTRATOR, "administrator")
    job_id = actions.create_job(desk, who, settings, key=f"demo-{seed}").job
    for upload in demo.uploads:
        kept = desk.blobs.keep([demo.files[upload.file]])
        found = guess(desk, job_id, kept.sha256, upload.file, upload.hints)
        if found.ambiguities:
            raise InputError(
                f"{upload.file} leaves a question open: {found.ambiguities[0].what}",
                remedy="Please report it.",
            )
        actions.add_upload(
            desk, who, job_id, kept.sha256, upload.file, mapping_to_toml(found.mapping)
        )
    tree = tomllib.loads(demo.digs.decode())
    metres = length_unit(str(tree.pop("unit", "m"))).metres
    for kind in DIG_KINDS:
        tables = [tree[kind]] if kind in SINGLE_KINDS and kind in tree else tree.get(kind, [])
        for table in tables:
            actions.draw_dig(desk, who, job_id, kind, in_metres(plain(table), metres))
    lists = tomllib.loads(stakeouts_text([RETURN_VISIT]))["list"]
    for table in lists:
        actions.choose_stakeout(desk, who, job_id, str(table["name"]), plain(table))
    actions.process(desk, job_id)
    return DemoDesk(job_id, ADMINISTRATOR, password)


def plain(table: dict[str, Any]) -> dict[str, Any]:
    """A table of TOML with its days as texts, as JSON has them."""
    return {
        key: value.isoformat() if isinstance(value, date) else value for key, value in table.items()
    }


def in_metres(table: dict[str, Any], metres: float) -> dict[str, Any]:
    """A table of `digs.toml` with its lengths in metres."""

    def scaled(value: Any) -> Any:
        if isinstance(value, list):
            return [scaled(one) for one in value]
        return round(value * metres, 6) if isinstance(value, int | float) else value

    return {
        key: scaled(value)
        if key in LENGTHS
        else [in_metres(one, metres) for one in value]
        if isinstance(value, list) and value and isinstance(value[0], dict)
        else value
        for key, value in table.items()
    }
