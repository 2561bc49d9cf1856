"""Checking a release, as a zip or unpacked: nothing in it changed, added, missing."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from asfound.errors import InputError
from asfound.store._package import CHUNK, DAMAGE, Package, RefusedError, opened, plain_member
from asfound.store.canonical import read_json
from asfound.store.ledger import Entry, Head, entry_from_line, verify_chain
from asfound.store.release import (
    CHECK,
    LEDGER,
    MANIFEST,
    PUBLIC_KEY,
    SCHEMA,
    SIGNATURE,
    SUMS,
    strange_outputs,
    sums_text,
)
from asfound.store.signing import public_key_text, signature_holds

_MOST_TEXT = 256 * 2**20


@dataclass(frozen=True)
class ReleaseCheck:
    """What a check of a release found.

    Parameters
    ----------
    faults : tuple of str
        Empty where nothing was changed since it was signed.
    manifest : dict
        What the release says of itself; empty where it can't be read.
    public_key : str
        The key it is signed with, base64.
    known_key : bool or None
        Whether that is the expected key; None where none was expected.
    files : dict
        SHA-256 by file name.
    entries : tuple of Entry
        The ledger in it.
    """

    faults: tuple[str, ...]
    manifest: dict[str, Any] = field(default_factory=dict)
    public_key: str = ""
    known_key: bool | None = None
    files: dict[str, str] = field(default_factory=dict)
    entries: tuple[Entry, ...] = ()

    @property
    def sound(self) -> bool:
        """Whether nothing was found."""
        return not self.faults

    @property
    def head(self) -> Head:
        """Of the ledger in it, as the manifest has it.

        Raises
        ------
        InputError
            If the manifest is not readable.
        """
        head = _manifest_head(self.manifest)
        if head is None:
            raise InputError("the release names no head of a ledger.", where=MANIFEST)
        return head


def verify_release(path: Path, *, public_key: str | None = None) -> ReleaseCheck:
    """Check a release, as a zip or unpacked.

    Parameters
    ----------
    path : Path
        The zip or the folder.
    public_key : str, optional
        The key it must be signed with, base64.

    Returns
    -------
    ReleaseCheck
        Its faults name every file that is missing, added or changed.

    Raises
    ------
    InputError
        If there is nothing at `path`, or it can't be read.
    """
    if not path.is_dir():
        try:
            path.open("rb").close()
        except OSError as error:
            raise InputError(
                f"can't be read: {error.strerror or error}.",
                where=str(path),
                remedy="Give the release's zip, or the folder it was unpacked to.",
            ) from error
    try:
        with opened(path) as package:
            return _verify(package, public_key)
    except DAMAGE as error:
        return ReleaseCheck((f"damaged, or not a release: {error}",))


def unpack_release(path: Path, folder: Path, *, only: str = "") -> None:
    """Write a release's files into a folder; check it first.

    Parameters
    ----------
    only : str
        Write only what lies under this, such as ``job/``.

    Raises
    ------
    InputError
        If the release can't be read, or a name in it would leave the folder.
    """
    try:
        with opened(path) as package:
            for name in package.names():
                if not name.startswith(only):
                    continue
                target = folder / PurePosixPath(plain_member(name))
                target.parent.mkdir(parents=True, exist_ok=True)
                with package.open(name) as source, target.open("wb") as out:
                    while chunk := source.read(CHUNK):
                        out.write(chunk)
    except DAMAGE as error:
        raise InputError(
            f"can't be unpacked: {error}.",
            where=str(path),
            remedy="Check it with: asfound check-release; check the free space.",
        ) from error


def _verify(package: Package, expected_key: str | None) -> ReleaseCheck:
    names = package.names()
    for needed in (MANIFEST, SUMS, SIGNATURE, PUBLIC_KEY, LEDGER, CHECK):
        if needed not in names:
            return ReleaseCheck((f"{needed} is missing",))
    digests = {name: _digest_of(package, name) for name in names}
    sums = _read(package, SUMS)
    faults: list[str] = []

    signature = _read(package, SIGNATURE)
    try:
        key = public_key_text(_read(package, PUBLIC_KEY), where=PUBLIC_KEY)
    except InputError:
        return ReleaseCheck(("public-key.pem holds no key",))
    if not signature_holds(key, base64.b64encode(signature).decode(), sums):
        faults.append("the signature does not hold: SHA256SUMS, its signature or the key changed")
    known = None if expected_key is None else key == expected_key
    if known is False:
        faults.append("it is signed with another key than the expected one")

    listed = _parse_sums(sums)
    for name in sorted(set(listed) | set(names)):
        if name in (SUMS, SIGNATURE):
            continue
        if name not in listed:
            faults.append(f"{name} was added: SHA256SUMS does not list it")
        elif name not in digests:
            faults.append(f"{name} is missing")
        elif listed[name] != digests[name]:
            faults.append(f"{name} was changed")
    if sums_text(listed) != sums:
        faults.append("SHA256SUMS is not in the form a release has")

    manifest, more = _manifest_faults(_read(package, MANIFEST), listed, key)
    faults += more
    entries, more = _ledger_faults(_read(package, LEDGER), manifest)
    faults += more
    faults += [
        f"{name} is not what the ledger says was made" for name in strange_outputs(entries, digests)
    ]
    faults += package.faults()
    return ReleaseCheck(tuple(faults), manifest, key, known, digests, entries)


def _manifest_faults(
    data: bytes, listed: Mapping[str, str], key: str
) -> tuple[dict[str, Any], list[str]]:
    try:
        manifest = read_json(data.decode())
        facts = manifest["files"]
        hashes = {name: str(fact["sha256"]) for name, fact in facts.items()}
        known = manifest["schema"] == SCHEMA
        same_key = manifest["public_key"] == key
    except (InputError, UnicodeError, KeyError, TypeError, AttributeError):
        return {}, ["manifest.json can't be read"]
    faults = []
    if not known:
        faults.append(f"manifest.json is of another kind: {manifest['schema']!r}")
    if not same_key:
        faults.append("manifest.json names another key")
    if hashes != {name: digest for name, digest in listed.items() if name != MANIFEST}:
        faults.append("manifest.json and SHA256SUMS don't list the same files")
    return manifest, faults


def _ledger_faults(data: bytes, manifest: Mapping[str, Any]) -> tuple[tuple[Entry, ...], list[str]]:
    head = _manifest_head(manifest)
    if head is None:
        return (), ["manifest.json names no head of a ledger"]
    try:
        # Not by splitlines: text in an entry may hold other line ends as they are.
        lines = data.decode().removesuffix("\n").split("\n")
        entries = tuple(
            entry_from_line(line, where=f"{LEDGER}, line {number}")
            for number, line in enumerate(lines, 1)
        )
    except UnicodeError:
        return (), [f"{LEDGER} is no text"]
    except InputError as error:
        return (), [str(error)]
    check = verify_chain(entries, head.job, expected=head)
    return entries, [
        f"ledger: {f'entry {fault.sequence} ' if fault.sequence else ''}{fault.what}"
        for fault in check.faults
    ]


def _manifest_head(manifest: Mapping[str, Any]) -> Head | None:
    head = manifest.get("ledger")
    if not isinstance(head, dict):
        return None
    job, size, root = head.get("job"), head.get("size"), head.get("root")
    if not isinstance(job, str) or not isinstance(size, int) or not isinstance(root, str):
        return None
    return Head(job, size, root)


def _read(package: Package, name: str) -> bytes:
    with package.open(name) as source:
        data = source.read(_MOST_TEXT + 1)
    if len(data) > _MOST_TEXT:
        raise RefusedError(f"{name} is too large")
    return data


def _digest_of(package: Package, name: str) -> str:
    digest = hashlib.sha256()
    with package.open(name) as source:
        while chunk := source.read(CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def _parse_sums(data: bytes) -> dict[str, str]:
    sums = {}
    for line in data.decode("utf-8", "replace").removesuffix("\n").split("\n"):
        digest, _, name = line.partition("  ")
        sums[name] = digest
    return sums
