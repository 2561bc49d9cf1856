"""Files served with care: never from outside their folder, with tags that save fetching again."""

from __future__ import annotations

import mimetypes
from pathlib import Path

from starlette.requests import Request
from starlette.responses import FileResponse, Response

from asfound.store import UnknownError

_KINDS = {
    ".js": "text/javascript",
    ".css": "text/css",
    ".json": "application/json",
    ".geojson": "application/geo+json",
    ".svg": "image/svg+xml",
    ".bin": "application/octet-stream",
    ".map": "application/json",
}


def inside(folder: Path, name: str) -> Path:
    """A file of a folder by its relative name.

    Raises
    ------
    UnknownError
        If there is none, or the name leads out of the folder.
    """
    unknown = UnknownError("there is no such file.", where="name", remedy="See the list.")
    parts = name.split("/")
    if not name or "\0" in name or "\\" in name or any(part in ("", ".", "..") for part in parts):
        raise unknown
    root = folder.resolve()
    try:
        path = root.joinpath(*parts).resolve()
        if not path.is_relative_to(root) or not path.is_file():
            raise unknown
    except (OSError, ValueError):
        raise unknown from None
    return path


def tagged(
    request: Request, path: Path, *, download: bool = False, control: str = "private, no-cache"
) -> Response:
    """A file with an ETag; 304 where the browser has it.

    Parameters
    ----------
    download : bool
        To be saved rather than shown.
    """
    stat = path.stat()
    tag = f'"{stat.st_ino:x}-{stat.st_size:x}-{stat.st_mtime_ns:x}"'
    headers = {"ETag": tag, "Cache-Control": control}
    known = [
        one.strip().removeprefix("W/")
        for one in request.headers.get("if-none-match", "").split(",")
    ]
    if tag in known:
        return Response(status_code=304, headers=headers)
    kind = _KINDS.get(path.suffix) or mimetypes.guess_type(path.name)[0]
    return FileResponse(
        path,
        media_type=kind or "application/octet-stream",
        filename=path.name if download else None,
        headers=headers,
    )
