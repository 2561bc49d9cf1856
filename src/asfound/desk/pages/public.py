"""What is served without a login: static files, and the check page of a release."""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import Annotated

from fastapi import Path
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from asfound.desk.context import Desk
from asfound.desk.guard import desk_of
from asfound.desk.pages.common import new_router
from asfound.desk.releasing import package_path
from asfound.desk.rendering import STATIC, render
from asfound.desk.serving import inside, tagged
from asfound.errors import AsfoundError
from asfound.store import Released, UnknownError
from asfound.store.release_check import verify_release

router = new_router()

_CHECKS_AT_HAND = 200
_checked: OrderedDict[tuple[str, int, int], Checked] = OrderedDict()
_checking = threading.Lock()

ReleaseId = Annotated[str, Path(max_length=64)]


@router.get("/static/{name:path}")
def static_file(request: Request, name: str) -> Response:
    """Style, scripts, pictures."""
    path = inside(STATIC, name)
    lasting = bool(request.query_params.get("v")) or path.name.startswith("part-")
    control = "public, max-age=31536000, immutable" if lasting else "public, no-cache"
    return tagged(request, path, control=control)


@router.get("/health")
def health(request: Request) -> Response:
    """Whether the desk and its database answer."""
    desk_of(request).store.has_users()
    return JSONResponse({"status": "ok"})


@dataclass(frozen=True)
class Checked:
    """What a check of a release's package found.

    Parameters
    ----------
    faults : tuple of str
        Empty where it is what was signed.
    title, version : str
        What it says of itself.
    public_key : str
        That it is signed with.
    sha256 : str
        Of the whole package.
    files : tuple of (name, SHA-256)
    """

    faults: tuple[str, ...]
    title: str
    version: str
    public_key: str
    sha256: str
    files: tuple[tuple[str, str], ...]


@router.get("/check/{release}")
def check_page(request: Request, release: ReleaseId) -> Response:
    """Whether a release is what was signed: checked now, said to anyone who asks."""
    desk = desk_of(request)
    found = _release(desk, release)
    check: Checked | None = None
    trouble = ""
    try:
        check = checked(desk, found)
    except AsfoundError as error:
        trouble = f"{error.what} {error.remedy}"
    return render(request, "check.html", {"release": found, "check": check, "trouble": trouble})


def _release(desk: Desk, release: str) -> Released:
    try:
        return desk.store.release(release)
    except UnknownError as error:
        raise UnknownError(
            "there is no release under this address.",
            where="release",
            remedy="Compare the address with the one you were given, letter by letter.",
        ) from error


def checked(desk: Desk, released: Released) -> Checked:
    """The check of a release; done again whenever its file changed."""
    path = package_path(desk, released)
    stat = path.stat()
    mark = (released.id, stat.st_mtime_ns, stat.st_size)
    with _checking:
        if mark in _checked:
            return _checked[mark]
        key = desk.store.signing_key
        found = verify_release(path, public_key=key.public if key else None)
        faults = list(found.faults)
        if found.known_key is False:
            faults.append("it is signed by another key than this desk's")
        if found.files.get("manifest.json") != released.manifest_sha256:
            faults.append("its manifest is not the one on file")
        with path.open("rb") as stream:
            sha256 = hashlib.file_digest(stream, "sha256").hexdigest()
        check = Checked(
            tuple(faults),
            str(found.manifest.get("title", "")),
            str(found.manifest.get("version", "")),
            found.public_key,
            sha256,
            tuple(sorted(found.files.items())),
        )
        _checked[mark] = check
        while len(_checked) > _CHECKS_AT_HAND:
            _checked.popitem(last=False)
    return check
