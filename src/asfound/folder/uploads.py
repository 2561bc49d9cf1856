"""Uploads of a job: raw files kept as received, each with its facts and its mapping.

`raw/A/` holds the bytes of upload A and `upload.toml` with their hashes: never changed.
`mappings/A.toml` says how to read them, and is the user's to correct.
"""

from __future__ import annotations

import csv
import shutil
import tempfile
import tomllib
from collections.abc import Mapping as Dictionary
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import tomli_w

from asfound.errors import AmbiguityError, InputError, SettingsError
from asfound.files import read_bytes, sha256_of, write_whole
from asfound.folder.layout import JobFolder, plain_name
from asfound.folder.settings import read_settings
from asfound.intake import (
    Doubt,
    Mapping,
    MappingGuess,
    Upload,
    guess_mapping,
    mapping_from_toml,
    mapping_to_toml,
    read_upload,
)

_SHAPEFILE_PARTS = (".shp", ".dbf", ".shx", ".prj", ".cpg")


@dataclass(frozen=True)
class UploadRecord:
    """Facts of one upload, as `upload.toml` keeps them.

    Parameters
    ----------
    tag : str
        A, B, ... in the order of adding.
    name : str
        Of the main file, as received.
    main : Path
        The stored main file.
    track : Path or None
        The stored NMEA log that positions readings without position.
    sha256, size : str, int
        Of the main file.
    added : str
        UTC time.
    """

    tag: str
    name: str
    main: Path
    track: Path | None
    sha256: str
    size: int
    added: str


@dataclass(frozen=True)
class Added:
    """What `add_upload` did: a new upload, or the known one that has the same bytes.

    A known one with `anew` was read again as declared; `before` holds its mapping until then.
    """

    record: UploadRecord
    guess: MappingGuess | None
    known: bool
    upload: Upload
    anew: bool = False
    before: Path | None = None


def tag_of(number: int) -> str:
    """Tag of the n-th upload from 0: A ... Z, AA, AB, ..."""
    tag = ""
    number += 1
    while number:
        number, letter = divmod(number - 1, 26)
        tag = chr(65 + letter) + tag
    return tag


def _tag_order(tag: str) -> tuple[int, str]:
    return (len(tag), tag)


def mapping_file(folder: JobFolder, tag: str) -> Path:
    """Where the mapping of an upload lies."""
    return folder.path / "mappings" / f"{tag}.toml"


def list_uploads(folder: JobFolder, *, verify: bool = True) -> tuple[UploadRecord, ...]:
    """All uploads of a job in order of adding.

    Parameters
    ----------
    verify : bool
        Check that the stored bytes still have the hashes they were received with.

    Raises
    ------
    InputError
        If a stored file is missing or was changed.
    """
    if not folder.raw.is_dir():
        return ()
    tags = [d.name for d in folder.raw.iterdir() if d.is_dir() and not d.name.startswith(".")]
    return tuple(_read_record(folder, tag, verify) for tag in sorted(tags, key=_tag_order))


def _read_record(folder: JobFolder, tag: str, verify: bool) -> UploadRecord:
    place = folder.raw / tag
    facts_file = place / "upload.toml"
    try:
        facts = tomllib.loads(facts_file.read_text("utf-8"))
        files: list[dict[str, Any]] = facts["file"]
        roles = {str(entry["role"]): entry for entry in files}
        main = roles["main"]
        record = UploadRecord(
            tag=tag,
            name=str(main["name"]),
            main=place / str(main["stored"]),
            track=place / str(roles["track"]["stored"]) if "track" in roles else None,
            sha256=str(main["sha256"]),
            size=int(main["size"]),
            added=str(facts["added"]),
        )
    except (OSError, KeyError, ValueError, TypeError, tomllib.TOMLDecodeError) as error:
        raise InputError(
            f"the record of upload {tag} is damaged ({error}).",
            where=str(facts_file),
            remedy="Restore it from a backup, or move the folder away and add the file again.",
        ) from error
    if verify:
        for entry in files:
            stored = place / str(entry["stored"])
            if sha256_of(stored) != entry["sha256"]:
                raise InputError(
                    f"the raw file of upload {tag} is not what was received: its SHA-256 differs.",
                    where=str(stored),
                    remedy="Raw files must never change. Restore it from a backup.",
                )
    return record


def read_mapping(folder: JobFolder, tag: str) -> Mapping:
    """The mapping of an upload.

    Raises
    ------
    SettingsError
        If it can't be used.
    InputError
        If it is missing.
    """
    path = mapping_file(folder, tag)
    try:
        text = read_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SettingsError(
            "not UTF-8 text.", where=str(path), remedy="Save it as UTF-8."
        ) from error
    return mapping_from_toml(text, str(path))


def read_record(folder: JobFolder, record: UploadRecord, index: int) -> Upload:
    """One upload of a job, read by its mapping.

    Parameters
    ----------
    index : int
        Its place among the uploads.

    Raises
    ------
    InputError, SettingsError
        If it can't be read.
    """
    return read_upload(
        record.main,
        record.name,
        read_mapping(folder, record.tag),
        tag=record.tag,
        source_index=index,
        track=record.track,
    )


def add_upload(
    folder: JobFolder,
    path: Path,
    *,
    hints: Dictionary[str, object] | None = None,
    mapping_path: Path | None = None,
    track: Path | None = None,
) -> Added:
    """Take a file into a job: keep its bytes, guess (or take) its mapping.

    Nothing is kept when the mapping is ambiguous, so that no half-understood upload gets into
    results: the guess is written to `mappings/` for the user to complete. Bytes that the job has
    already are not kept twice; where anything is declared, they are read anew by that.

    Parameters
    ----------
    hints : mapping
        What the user declared: frame, epoch, zone, receiver, antenna_height, ...
    mapping_path : Path or None
        A mapping file to use instead of a guess.
    track : Path or None
        NMEA log with the positions of readings that carry none.

    Raises
    ------
    InputError, AmbiguityError, SettingsError
    """
    digest = sha256_of(path)
    records = list_uploads(folder)
    for index, record in enumerate(records):
        if record.sha256 == digest:
            if hints or mapping_path is not None:
                return _read_anew(folder, record, index, hints, mapping_path)
            return Added(record, None, True, read_record(folder, record, index))
    mapping, guess = _mapping_of(folder, path, path.name, hints, mapping_path)
    tag = _next_tag(records)
    # Read before anything is kept: a file that can't be read leaves no trace in the job.
    upload = read_upload(path, path.name, mapping, tag=tag, source_index=len(records), track=track)
    record = _store(folder, tag, path, track)
    write_whole(mapping_file(folder, tag), mapping_to_toml(mapping).encode())
    if guess is not None:
        (folder.path / "mappings" / f"{plain_name(path.name)}.draft.toml").unlink(missing_ok=True)
    return Added(record, guess, False, upload)


def _mapping_of(
    folder: JobFolder,
    path: Path,
    name: str,
    hints: Dictionary[str, object] | None,
    mapping_path: Path | None,
) -> tuple[Mapping, MappingGuess | None]:
    """The mapping that was given, or a guess; an open guess is left as a draft."""
    if mapping_path is not None:
        text = read_bytes(mapping_path).decode("utf-8-sig", "replace")
        return mapping_from_toml(text, str(mapping_path)), None
    guess = guess_mapping(
        path, name, hints={"job_crs": read_settings(folder).frame.crs, **(hints or {})}
    )
    if guess.ambiguities:
        draft = folder.path / "mappings" / f"{plain_name(name)}.draft.toml"
        write_whole(draft, mapping_to_toml(guess.mapping).encode())
        raise _unclear(name, guess.ambiguities, draft)
    return guess.mapping, guess


def _read_anew(
    folder: JobFolder,
    record: UploadRecord,
    index: int,
    hints: Dictionary[str, object] | None,
    mapping_path: Path | None,
) -> Added:
    """A known upload, read from now on as was declared; the mapping until then is set by."""
    mapping, guess = _mapping_of(folder, record.main, record.name, hints, mapping_path)
    upload = read_upload(
        record.main,
        record.name,
        mapping,
        tag=record.tag,
        source_index=index,
        track=record.track,
    )
    place = mapping_file(folder, record.tag)
    old = read_bytes(place) if place.is_file() else b""
    new = mapping_to_toml(mapping).encode()
    before = None
    if old and old != new:
        before = place.with_name(f"{record.tag}.before.draft.toml")
        write_whole(before, old)
    write_whole(place, new)
    return Added(record, guess, True, upload, True, before)


def _next_tag(records: Sequence[UploadRecord]) -> str:
    """The tag after the last one: a folder that was moved away leaves a gap, no tag twice."""
    tags = {record.tag for record in records}
    number = len(tags)
    while tag_of(number) in tags or any(_tag_order(t) > _tag_order(tag_of(number)) for t in tags):
        number += 1
    return tag_of(number)


def _unclear(name: str, doubts: Sequence[Doubt], draft: Path) -> AmbiguityError:
    """Every question a file leaves open, in one message, so that one answer settles all."""
    numbered = len(doubts) > 1
    what, remedy = [], []
    for number, doubt in enumerate(doubts, 1):
        mark = f"({number}) " if numbered else ""
        about = f"{doubt.field}: " if doubt.field and numbered else ""
        what.append(f"{mark}{about}{doubt.what} {doubt.why}".strip())
        remedy.append(f"{mark}{doubt.remedy}")
    where = name if numbered or not doubts[0].field else f"{name}, {doubts[0].field}"
    count = f"{len(doubts)} things could be read in more than one way. " if numbered else ""
    return AmbiguityError(
        count + " ".join(what),
        where=where,
        remedy=" ".join(remedy) + f" The guess is in {draft}; corrected, it can be given with "
        "--mapping.",
    )


def _store(folder: JobFolder, tag: str, path: Path, track: Path | None) -> UploadRecord:
    """Copy the files into `raw/TAG/` in one rename."""
    folder.raw.mkdir(parents=True, exist_ok=True)
    wanted: list[tuple[str, Path]] = [("main", path)]
    if path.suffix.lower() == ".shp":
        wanted += [
            ("part", part)
            for part in sorted(path.parent.iterdir())
            if part.stem == path.stem and part.suffix.lower() in _SHAPEFILE_PARTS and part != path
        ]
    if track is not None:
        wanted.append(("track", track))
    stage = Path(tempfile.mkdtemp(dir=folder.raw, prefix=".part-"))
    try:
        entries = []
        for role, origin in wanted:
            stored = plain_name(origin.name)
            if role == "track" and (stage / stored).exists():
                stored = f"track-{stored}"
            if stored == "upload.toml":
                stored = "upload-file.toml"
            shutil.copyfile(origin, stage / stored)
            entries.append(
                {
                    "role": role,
                    "name": origin.name,
                    "stored": stored,
                    "sha256": sha256_of(stage / stored),
                    "size": (stage / stored).stat().st_size,
                }
            )
        facts = {
            "tag": tag,
            "added": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "file": entries,
        }
        (stage / "upload.toml").write_bytes(tomli_w.dumps(facts).encode())
        stage.chmod(0o755)
        stage.replace(folder.raw / tag)
    except OSError as error:
        raise InputError(
            f"can't be taken in: {error.strerror or error}.",
            where=str(error.filename or path),
            remedy="Check the file, the permissions and the free space.",
        ) from error
    finally:
        shutil.rmtree(stage, ignore_errors=True)
    return _read_record(folder, tag, verify=False)


def raw_row(folder: JobFolder, tag: str, line_number: int) -> tuple[tuple[str, str], ...]:
    """A row of a delimited upload as it stands in the file: column titles and cells.

    Parameters
    ----------
    tag : str
        Of the upload.
    line_number : int
        Physical line on which the row starts, from 1.

    Returns
    -------
    cells : tuple of (title, cell)
        Empty where the upload is no delimited text or the line is not there.
    """
    record = _read_record(folder, tag, verify=False)
    mapping = read_mapping(folder, tag)
    if mapping.format != "delimited":
        return ()
    wanted = {mapping.header_line, line_number}
    found: dict[int, str] = {}
    last = max(wanted)
    with record.main.open(encoding=mapping.encoding, errors="replace", newline="") as stream:
        for number, line in enumerate(stream, 1):
            if number in wanted or (number > last and found[last].count('"') % 2):
                found[min(number, last)] = found.get(min(number, last), "") + line
            elif number > last:
                break
    if line_number not in found:
        return ()
    titles = _cells(found.get(mapping.header_line, ""), mapping.separator)
    cells = _cells(found[line_number], mapping.separator)
    titles += [f"column {k + 1}" for k in range(len(titles), len(cells))]
    return tuple(zip(titles, cells, strict=False))


def _cells(text: str, separator: str) -> list[str]:
    for row in csv.reader([text.rstrip("\r\n")], delimiter=separator):
        return [cell.strip() for cell in row]
    return []
