"""The invented demonstration job on a desk, taken in by the same way as any upload."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, replace

from asfound.demo import generate
from asfound.desk import actions
from asfound.desk.context import Desk
from asfound.desk.guard import Identity
from asfound.desk.guessing import guess
from asfound.errors import InputError
from asfound.intake import mapping_to_toml

ADMINISTRATOR = "demo"


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
    actions.process(desk, job_id)
    return DemoDesk(job_id, ADMINISTRATOR, password)
