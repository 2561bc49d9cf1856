"""Names that people give: what is allowed in them."""

from __future__ import annotations

import re
import unicodedata

from asfound.errors import InputError

_JOB_ID = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?")


def job_slug(title: str) -> str:
    """A job id from a title: small letters, digits and dashes; `job` where nothing is left."""
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-") or "job"


def check_job_id(job: str) -> str:
    """The id as given.

    Raises
    ------
    InputError
        If it can't be a job's id.
    """
    if not _JOB_ID.fullmatch(job):
        raise InputError(
            f"{job!r} can't be a job's id.",
            where="id",
            remedy="Use 1 to 64 small letters, digits and dashes.",
        )
    return job


def checked_text(value: str, field: str, *, longest: int = 200, empty: bool = False) -> str:
    """Text on one line, composed (NFC) and without blanks around it.

    Raises
    ------
    InputError
        If it is empty, too long or holds control characters.
    """
    text = unicodedata.normalize("NFC", value).strip()
    if not text and not empty:
        raise InputError(f"the {field} is empty.", where=field, remedy=f"Give a {field}.")
    if len(text) > longest:
        raise InputError(
            f"the {field} is longer than {longest} characters.", where=field, remedy="Shorten it."
        )
    if any(unicodedata.category(character) in ("Cc", "Cs") for character in text):
        raise InputError(
            f"the {field} holds a control character.",
            where=field,
            remedy="Write it on one line of plain text.",
        )
    return text


def name_key(name: str) -> str:
    """What names are compared by: compatible forms and letter case don't count."""
    plain = name.replace("\0", "\ufffd").encode("utf-8", "replace").decode()
    return unicodedata.normalize("NFKC", plain).casefold().strip()
