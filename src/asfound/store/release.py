"""A release: a job's deliverables and all they were made from, frozen and signed.

What lies in it:

- ``out/``: the deliverables; ``job/``: settings, raw files, mappings, whatever they come from
- ``ledger.jsonl``: one entry a line up to the release's head
- ``manifest.json``: what it is, the ledger's root, SHA-256 and size of every file above
- ``SHA256SUMS``: all files, as the command sha256sum reads it; ``SHA256SUMS.sig``: its Ed25519
  signature, 64 bytes; ``public-key.pem``; ``CHECK.txt``: how a stranger checks all this

The zip holds files as they are, uncompressed, sorted, without times: the same release is the same
bytes everywhere, nothing in it can swell when unpacked, and no byte of it can change unseen.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from asfound.errors import InputError
from asfound.files import whole_file
from asfound.store._package import CHUNK, plain_member, write_zip
from asfound.store._text import checked_text
from asfound.store.canonical import canonical_json
from asfound.store.ledger import Entry, Head, verify_chain
from asfound.store.merkle import grow, root_of_peaks
from asfound.store.signing import SigningKey

SCHEMA = "asfound release 1"
MANIFEST, SUMS, SIGNATURE = "manifest.json", "SHA256SUMS", "SHA256SUMS.sig"
PUBLIC_KEY, LEDGER, CHECK = "public-key.pem", "ledger.jsonl", "CHECK.txt"


_CHECK_TEXT = """\
How to check this release
=========================

Name: {name}
Job:  {title}
Ledger: {size} entries, root {root}

1. Unpack the zip and open a terminal in its folder.

2. The list of files is signed. This must print "Signature Verified Successfully"
   (OpenSSL 3 or newer):

   openssl pkeyutl -verify -pubin -inkey public-key.pem -rawin \\
     -in SHA256SUMS -sigfile SHA256SUMS.sig

3. The files are those of the list. This must print OK for every file:

   sha256sum --check --strict SHA256SUMS

4. No file was added. This must print nothing:

   (cut -c 67- SHA256SUMS; echo SHA256SUMS; echo SHA256SUMS.sig) | sort > ../listed.txt
   find . -type f | cut -c 3- | sort | diff ../listed.txt -

5. The key is that of whoever gave you the release. Ask them, by another way than the one this came
   by, to read you their key, and compare:

   {key}

   Anyone can make a key; without this step you know only that nothing changed since it was signed.

The program asfound does steps 2 to 4 and checks the ledger too: asfound check-release FILE

The positions in this release are estimates with the uncertainty that stands beside them. A sound
release says that nothing was changed; it gives no leave to dig.
"""


@dataclass(frozen=True)
class BuiltRelease:
    """A release that was written.

    Parameters
    ----------
    path : Path
    manifest_sha256 : str
        Of `manifest.json`.
    signature, public_key : str
        Over `SHA256SUMS`; base64.
    head : Head
        Of the ledger in it.
    """

    path: Path
    manifest_sha256: str
    signature: str
    public_key: str
    head: Head


def build_release(
    target: Path,
    *,
    name: str,
    title: str,
    version: str,
    made_with: Mapping[str, str],
    inputs: Mapping[str, Path],
    outputs: Mapping[str, Path],
    entries: Sequence[Entry],
    key: SigningKey,
) -> BuiltRelease:
    """Write a release as a zip, whole or not at all.

    Parameters
    ----------
    target : Path
        The zip to write.
    name, title : str
        Of the release and of the job.
    version : str
        Of asfound.
    made_with : mapping
        Versions of the libraries that the numbers depend on.
    inputs, outputs : mapping of str to Path
        Files under ``job/`` and ``out/`` by their relative names.
    entries : sequence of Entry
        The ledger from its first entry to the release's head.
    key : SigningKey

    Returns
    -------
    BuiltRelease

    Raises
    ------
    InputError
        If a name can't be used, a file can't be read, or the ledger does not hold.
    """
    name = checked_text(name, "name", longest=80)
    title = checked_text(title, "title")
    if not entries:
        raise InputError("there is no ledger yet.", where=name, remedy="Process the job first.")
    ledger = verify_chain(entries, entries[0].job)
    if not ledger.sound:
        fault = ledger.faults[0]
        raise InputError(
            f"the ledger does not hold: entry {fault.sequence} {fault.what}.",
            where=entries[0].job,
            remedy="Restore it from a backup; a release of it would prove nothing.",
        )
    files: dict[str, bytes | Path] = {}
    for folder, found in (("job", inputs), ("out", outputs)):
        files |= {plain_member(f"{folder}/{short}"): path for short, path in found.items()}
    files[LEDGER] = "".join(entry.line + "\n" for entry in entries).encode()
    files[PUBLIC_KEY] = key.public_pem
    files[CHECK] = _CHECK_TEXT.format(
        name=name, title=title, size=ledger.head.size, root=ledger.head.root, key=key.public
    ).encode()
    facts = {short: _facts(source) for short, source in files.items()}
    _check_uploads(entries, {fact["sha256"] for fact in facts.values()})
    strange = strange_outputs(entries, {name: fact["sha256"] for name, fact in facts.items()})
    if strange:
        raise InputError(
            f"{strange[0]} is not what the ledger says was made.",
            where=entries[0].job,
            remedy="Process the job again, then release it.",
        )
    manifest = canonical_json(
        {
            "schema": SCHEMA,
            "name": name,
            "title": title,
            "version": version,
            "made_with": dict(made_with),
            "ledger": {
                "job": ledger.head.job,
                "size": ledger.head.size,
                "root": ledger.head.root,
            },
            "public_key": key.public,
            "files": facts,
        }
    )
    files[MANIFEST] = manifest.encode()
    sums = {short: fact["sha256"] for short, fact in facts.items()}
    sums[MANIFEST] = hashlib.sha256(manifest.encode()).hexdigest()
    listed = sums_text(sums)
    files[SUMS], files[SIGNATURE] = listed, key.sign_raw(listed)
    with whole_file(target) as stream:
        write_zip(stream, {name: _source(name, source, sums) for name, source in files.items()})
    return BuiltRelease(target, sums[MANIFEST], key.sign(listed), key.public, ledger.head)


def head_at(entries: Sequence[Entry], size: int) -> Head:
    """The head that a ledger had after its first `size` entries.

    Raises
    ------
    InputError
        If it has not so many.
    """
    if not 1 <= size <= len(entries):
        raise InputError(f"the ledger has {len(entries)} entries, not {size}.", where="head")
    peaks: tuple[bytes, ...] = ()
    for index, entry in enumerate(entries[:size]):
        peaks = grow(peaks, index, bytes.fromhex(entry.hash))
    return Head(entries[0].job, size, root_of_peaks(peaks).hex())


def strange_outputs(entries: Sequence[Entry], digests: Mapping[str, str]) -> list[str]:
    """Deliverables that are not those of the ledger's last ``processed`` entry.

    Parameters
    ----------
    digests : mapping
        SHA-256 of a release's files.

    Returns
    -------
    names : list of str
        Under ``out/``: other bytes, added or missing; empty where nothing was processed yet.
    """
    made = next((e.payload["files"] for e in reversed(entries) if e.action == "processed"), None)
    if not isinstance(made, dict):
        return []
    noted = {f"out/{name}": digest for name, digest in made.items()}
    here = {name: digest for name, digest in digests.items() if name.startswith("out/")}
    return sorted(name for name in noted.keys() | here.keys() if noted.get(name) != here.get(name))


def _facts(source: bytes | Path) -> dict[str, Any]:
    if isinstance(source, bytes):
        return {"sha256": hashlib.sha256(source).hexdigest(), "size": len(source)}
    try:
        with source.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
            return {"sha256": digest, "size": stream.tell()}
    except OSError as error:
        raise InputError(
            f"can't be read: {error.strerror or error}.",
            where=str(source),
            remedy="Process the job again; check the permissions.",
        ) from error


def _check_uploads(entries: Sequence[Entry], digests: set[str]) -> None:
    present: dict[str, str] = {}
    for entry in entries:
        if entry.action in ("upload-added", "batch-sealed"):
            present[str(entry.payload.get("sha256"))] = str(entry.payload.get("name", "a batch"))
        elif entry.action == "upload-removed":
            present.pop(str(entry.payload.get("sha256")), None)
    for digest, name in present.items():
        if digest not in digests:
            raise InputError(
                f"the raw bytes of {name} are not among the files.",
                where=digest,
                remedy="The ledger names an upload that is not here; restore it from a backup.",
            )


def sums_text(sums: Mapping[str, str]) -> bytes:
    return "".join(f"{sums[name]}  {name}\n" for name in sorted(sums)).encode()


def _source(
    name: str, source: bytes | Path, sums: Mapping[str, str]
) -> tuple[int, Iterator[bytes]]:
    if isinstance(source, bytes):
        return len(source), iter((source,))

    def chunks() -> Iterator[bytes]:
        digest = hashlib.sha256()
        with source.open("rb") as stream:
            while chunk := stream.read(CHUNK):
                digest.update(chunk)
                yield chunk
        if digest.hexdigest() != sums[name]:
            raise InputError(
                "the file changed while the release was made.",
                where=str(source),
                remedy="Make it again when nothing else works on the job.",
            )

    return source.stat().st_size, chunks()
