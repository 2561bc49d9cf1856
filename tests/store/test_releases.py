"""Releases: frozen, signed, checkable by a stranger, unforgiving."""

from __future__ import annotations

import hashlib
import io
import shutil
import stat
import subprocess
import zipfile
from pathlib import Path

import numpy as np
import pytest

from asfound.errors import InputError
from asfound.store import Entry, SigningKey, new_key
from asfound.store.ledger import FIRST_PREVIOUS, make_entry
from asfound.store.release import BuiltRelease, build_release, head_at
from asfound.store.release_check import unpack_release, verify_release

RAW = b"name,depth\r\nA,1.25\r\n"


def some_entries(count: int = 5) -> list[Entry]:
    from datetime import UTC, datetime

    moment = datetime(2026, 11, 25, 16, 0, tzinfo=UTC)
    payloads = [
        ("job-created", {"settings": "[job]\n"}),
        ("upload-added", {"sha256": hashlib.sha256(RAW).hexdigest(), "name": "day 1.csv"}),
        *(("decision", {"id": f"d{k}", "why": "line\u2028end \x85"}) for k in range(count - 2)),
    ]
    entries: list[Entry] = []
    for number, (action, payload) in enumerate(payloads, 1):
        previous = entries[-1].hash if entries else FIRST_PREVIOUS
        entries.append(make_entry("elm", number, moment, "ana", action, payload, previous))
    return entries


@pytest.fixture(scope="module")
def key() -> SigningKey:
    return new_key()


def build(folder: Path, key: SigningKey, target: str = "r.zip") -> BuiltRelease:
    files = {"job/job.toml": b"[job]\n", "job/raw/A/day 1.csv": RAW, "out/report.pdf": b"%PDF-"}
    for name, data in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    return build_release(
        folder / target,
        name="Issue A",
        title="Elm Street",
        version="0.1.0",
        made_with={"numpy": "2.0"},
        inputs={name[4:]: folder / name for name in files if name.startswith("job/")},
        outputs={name[4:]: folder / name for name in files if name.startswith("out/")},
        entries=some_entries(),
        key=key,
    )


def test_a_release_holds_and_says_what_it_is(tmp_path: Path, key: SigningKey) -> None:
    built = build(tmp_path, key)
    check = verify_release(built.path, public_key=key.public)
    assert check.faults == ()
    assert check.known_key is True
    assert check.head == built.head == head_at(some_entries(), 5)
    assert check.manifest["name"] == "Issue A"
    assert check.files["manifest.json"] == built.manifest_sha256
    assert check.files["job/raw/A/day 1.csv"] == hashlib.sha256(RAW).hexdigest()
    assert list(check.entries) == some_entries()


def test_the_same_release_is_the_same_bytes(tmp_path: Path, key: SigningKey) -> None:
    one = build(tmp_path / "one", key).path.read_bytes()
    assert build(tmp_path / "two", key, "other.zip").path.read_bytes() == one


def test_a_release_of_another_key_is_not_the_expected_one(tmp_path: Path, key: SigningKey) -> None:
    path = build(tmp_path, new_key()).path
    check = verify_release(path, public_key=key.public)
    assert check.known_key is False
    assert not check.sound
    assert verify_release(path).sound


def test_a_flip_of_any_byte_of_the_zip_is_found(tmp_path: Path, key: SigningKey) -> None:
    good = build(tmp_path, key).path.read_bytes()
    generator = np.random.default_rng(1)
    path = tmp_path / "flipped.zip"
    # Every 7th byte of the whole: no header's length is a multiple, so all their fields are met.
    for place in range(0, len(good), 7):
        changed = bytearray(good)
        changed[place] ^= int(generator.integers(1, 256))
        path.write_bytes(changed)
        assert not verify_release(path).sound, f"byte {place}"


@pytest.mark.parametrize("change", [lambda d: d[:-1], lambda d: d + b"\0", lambda d: b"\0" + d])
def test_a_shorter_or_longer_zip_is_found(tmp_path: Path, key: SigningKey, change) -> None:
    path = build(tmp_path, key).path
    path.write_bytes(change(path.read_bytes()))
    assert not verify_release(path).sound


@pytest.fixture
def unpacked(tmp_path: Path, key: SigningKey) -> Path:
    folder = tmp_path / "unpacked"
    unpack_release(build(tmp_path, key).path, folder)
    return folder


def test_an_unpacked_release_holds(unpacked: Path) -> None:
    assert verify_release(unpacked).faults == ()


def test_a_flip_of_any_byte_of_an_unpacked_file_is_found(unpacked: Path) -> None:
    names = [path for path in unpacked.rglob("*") if path.is_file()]
    assert len(names) == 9
    for path in names:
        good = path.read_bytes()
        for place in {*range(0, len(good), 41), len(good) - 1}:
            changed = bytearray(good)
            changed[place] ^= 1
            path.write_bytes(changed)
            assert not verify_release(unpacked).sound, f"{path.name}, byte {place}"
        path.write_bytes(good)
    assert verify_release(unpacked).sound


def test_missing_and_extra_files_are_named(unpacked: Path) -> None:
    (unpacked / "out" / "extra.txt").write_text("x")
    (unpacked / "out" / "report.pdf").unlink()
    faults = verify_release(unpacked).faults
    assert any("out/extra.txt was added" in fault for fault in faults)
    assert any("out/report.pdf is missing" in fault for fault in faults)


def test_a_link_in_an_unpacked_release_is_refused(unpacked: Path) -> None:
    (unpacked / "out" / "link").symlink_to("/etc/hostname")
    assert not verify_release(unpacked).sound


def signed_zip(files: dict[str, bytes], **options) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", **options) as package:
        for name, data in files.items():
            package.writestr(zipfile.ZipInfo(name), data)
    return stream.getvalue()


@pytest.mark.parametrize(
    "name", ["../x", "/etc/x", "a/../../x", "a//x", "./x", "a\\..\\x", "C:x", "a\nb", "x/"]
)
def test_names_that_would_leave_the_folder_are_refused(tmp_path: Path, name: str) -> None:
    path = tmp_path / "bad.zip"
    path.write_bytes(signed_zip({name: b"x", "manifest.json": b"{}"}))
    assert not verify_release(path).sound
    with pytest.raises(InputError):
        unpack_release(path, tmp_path / "into")
    assert not (tmp_path / "x").exists()


def test_a_zip_that_swells_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("manifest.json", bytes(50_000_000))
    (fault,) = verify_release(path).faults
    assert "compressed" in fault


def test_links_and_doubled_names_in_a_zip_are_found(tmp_path: Path, key: SigningKey) -> None:
    path = build(tmp_path, key).path
    with zipfile.ZipFile(path, "a") as package:
        member = zipfile.ZipInfo("out/link")
        member.external_attr = (stat.S_IFLNK | 0o777) << 16
        package.writestr(member, "/etc/hostname")
    assert not verify_release(path).sound
    again = build(tmp_path, key).path
    with zipfile.ZipFile(again, "a") as package, pytest.warns(UserWarning, match="Duplicate"):
        package.writestr("out/report.pdf", b"other")
    assert "twice" in verify_release(again).faults[0]


def test_what_is_no_release_is_said_to_be_none(tmp_path: Path) -> None:
    (tmp_path / "text.zip").write_text("hello")
    assert not verify_release(tmp_path / "text.zip").sound
    assert not verify_release(tmp_path).sound
    with pytest.raises(InputError, match="can't be read"):
        verify_release(tmp_path / "nothing.zip")


def test_an_upload_whose_bytes_are_not_there_keeps_a_release_from_being_made(
    tmp_path: Path, key: SigningKey
) -> None:
    build(tmp_path, key)
    with pytest.raises(InputError, match=r"day 1\.csv"):
        build_release(
            tmp_path / "r2.zip",
            name="B",
            title="Elm",
            version="0.1.0",
            made_with={},
            inputs={},
            outputs={},
            entries=some_entries(),
            key=key,
        )
    assert not (tmp_path / "r2.zip").exists()


def test_a_resigned_ledger_with_a_missing_entry_is_found(tmp_path: Path, key: SigningKey) -> None:
    """Whoever holds the key can sign anything, but not a ledger that does not follow."""
    entries = some_entries()
    with pytest.raises(InputError, match="does not hold"):
        build_release(
            tmp_path / "r.zip",
            name="B",
            title="Elm",
            version="0.1.0",
            made_with={},
            inputs={},
            outputs={},
            entries=[*entries[:2], *entries[3:]],
            key=key,
        )


def with_processed(files: dict[str, str]) -> list[Entry]:
    from datetime import UTC, datetime

    entries = some_entries()
    moment = datetime(2026, 11, 25, 17, 0, tzinfo=UTC)
    body = {"head": 5, "files": files, "version": "0.1.0"}
    return [
        *entries,
        make_entry("elm", 6, moment, "ana", "processed", body, entries[-1].hash),
    ]


@pytest.mark.parametrize("files", [{}, {"report.pdf": "0" * 64}, {"report.pdf": "", "x.csv": ""}])
def test_deliverables_other_than_those_of_the_ledger_are_not_released(
    tmp_path: Path, key: SigningKey, files: dict
) -> None:
    build(tmp_path, key)
    report = tmp_path / "out" / "report.pdf"
    options: dict = {
        "name": "B",
        "title": "Elm",
        "version": "0.1.0",
        "made_with": {},
        "inputs": {"raw/A/day 1.csv": tmp_path / "job/raw/A/day 1.csv"},
        "outputs": {"report.pdf": report},
        "key": key,
    }
    with pytest.raises(InputError, match="not what the ledger says"):
        build_release(tmp_path / "b.zip", entries=with_processed(files), **options)
    true = with_processed({"report.pdf": hashlib.sha256(report.read_bytes()).hexdigest()})
    assert verify_release(build_release(tmp_path / "b.zip", entries=true, **options).path).sound


def commands_of(text: str) -> list[str]:
    """The indented commands of CHECK.txt, those that go over several lines joined."""
    blocks: list[str] = []
    for line in text.splitlines():
        if line.startswith("     ") and blocks:
            blocks[-1] = blocks[-1].rstrip("\\") + line.strip()
        elif line.startswith("   "):
            blocks.append(line.strip())
    return blocks


def run(command: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", "-c", command], cwd=folder, capture_output=True, text=True, check=False
    )


@pytest.mark.skipif(
    not (shutil.which("openssl") and shutil.which("sha256sum")),
    reason="openssl and sha256sum are not here; apt-get install openssl coreutils",
)
def test_a_stranger_can_check_it_with_the_commands_that_stand_in_it(unpacked: Path) -> None:
    text = (unpacked / "CHECK.txt").read_text()
    openssl, sums, listing, extra = (
        command
        for command in commands_of(text)
        if command.startswith(("openssl", "sha256sum", "(cut", "find"))
    )
    assert "Signature Verified Successfully" in run(openssl, unpacked).stdout
    done = run(sums, unpacked)
    assert done.returncode == 0
    assert done.stdout.count(": OK") == 7
    both = run(f"{listing}\n{extra}", unpacked)
    assert (both.returncode, both.stdout) == (0, "")

    (unpacked / "out" / "extra.txt").write_text("x")
    assert "extra.txt" in run(f"{listing}\n{extra}", unpacked).stdout
    (unpacked / "out" / "report.pdf").write_bytes(b"%PDF_")
    assert run(sums, unpacked).returncode != 0
    listed = (unpacked / "SHA256SUMS").read_bytes()
    (unpacked / "SHA256SUMS").write_bytes(listed.replace(b"a", b"b", 1))
    assert run(openssl, unpacked).returncode != 0
