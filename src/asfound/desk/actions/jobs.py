"""Jobs and their settings."""

from __future__ import annotations

import tomllib
from dataclasses import replace

from asfound.desk.actions.common import Done, after
from asfound.desk.context import Desk
from asfound.desk.guard import Identity
from asfound.errors import SettingsError
from asfound.folder import (
    settings_from_tree,
    settings_text,
)
from asfound.geodesy import job_grid
from asfound.model import ControlPoint, Frame, JobSettings
from asfound.store import Entry, KeyReusedError, job_slug


def create_job(
    desk: Desk, identity: Identity, settings: JobSettings, *, key: str | None = None
) -> Entry:
    """Start a job; its id is made of its name.

    Raises
    ------
    InputError, FrameError
        If its frame can't be drawn in.
    """
    return create_job_of_text(desk, identity, settings_text(settings), key=key)


def create_job_of_text(
    desk: Desk, identity: Identity, text: str, *, key: str | None = None
) -> Entry:
    """Start a job from the text of a `job.toml`."""
    settings = checked_settings(desk, text)
    slug = job_slug(settings.name)
    taken = {job.id for job in desk.store.list_jobs()}
    names = [slug, *(f"{slug[:56]}-{number}" for number in range(2, 1000))]
    if key is not None:
        # A repeated request must find the job it made, not make another.
        for name in names:
            if name not in taken:
                break
            first = desk.store.entry_by_key(name, identity.who, key)
            if first is not None:
                if first.payload != {"settings": text}:
                    raise KeyReusedError(
                        f"the key {key!r} was used for another job.",
                        where="Idempotency-Key",
                        remedy="Use a new key for every new request.",
                    )
                return first
    name = next(name for name in names if name not in taken)
    return desk.store.create_job(name, settings.name, identity.who, {"settings": text}, key=key)


def checked_settings(desk: Desk, text: str) -> JobSettings:
    """The settings that a text stands for.

    Raises
    ------
    SettingsError, FrameError
        If they can't be used.
    """
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"not readable as TOML: {error}.",
            where="settings",
            remedy="Correct the line it names.",
        ) from error
    settings = settings_from_tree(tree, "settings", grids=(str(desk.config.grids),))
    # The geoid's grid may be put in place later; the frame itself must be one to draw in.
    flat = replace(settings.frame, geoid="", height_kind="ellipsoidal")
    job_grid(flat, None, (), where="frame.crs")
    if not settings.name.strip():
        raise SettingsError("the job has no name.", where="settings [job]", remedy="Give a name.")
    return settings


def change_settings(
    desk: Desk, identity: Identity, job: str, text: str, *, key: str | None = None
) -> Done:
    """Give a job other settings.

    Raises
    ------
    SettingsError, FrameError
        If they can't be used; nothing is written.
    """
    settings = checked_settings(desk, text)
    entry = desk.store.append(job, identity.who, "settings-changed", {"settings": text}, key=key)
    if desk.store.job(job).title != settings.name:
        desk.store.change_job(job, title=settings.name)
    return after(desk, entry)


def add_control(
    desk: Desk, identity: Identity, job: str, point: ControlPoint, *, key: str | None = None
) -> Done:
    """Add a control point to a job's settings, or put one of the same name right."""
    settings = checked_settings(desk, desk.state(job).settings)
    kept = [one for one in settings.control if one.name.casefold() != point.name.casefold()]
    changed = replace(settings, control=(*kept, point))
    return change_settings(desk, identity, job, settings_text(changed), key=key)


def new_settings(
    name: str,
    crs: str,
    *,
    epoch: float | None = None,
    unit: str = "m",
    geoid: str = "",
    client: str = "",
    place: str = "",
    notice: str = "",
) -> JobSettings:
    """Settings of a new job as a form gives them."""
    return JobSettings(
        name=name,
        frame=Frame(crs, epoch, "orthometric" if geoid else "ellipsoidal", geoid),
        length_unit=unit,
        client=client,
        place=place,
        notice=notice,
    )
