"""Ledgers and releases from the command line, in a process of their own."""

import json
import os
import stat
import subprocess
import sys

import pytest

ROWS = (
    "Point,Latitude,Longitude,Ellipsoidal height (m),Depth (m),Utility,UTC,Antenna height (m)\n"
    + "".join(
        f"{n},39.000{n},-100.000{n},600.1,1.1{n},gas,2026-11-17T15:0{n}:00Z,1.2\n"
        for n in range(1, 8)
    )
)


def run(*arguments, cwd=None):
    return subprocess.run(
        [sys.executable, "-m", "asfound.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        timeout=120,
        env={**os.environ, "NO_COLOR": "1", "COLUMNS": "100", "LOGNAME": "ana"},
        check=False,
    )


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cli") / "elm"
    (folder.parent / "log.csv").write_text(ROWS)
    for arguments in (
        ("new", folder, "--crs", "EPSG:6466"),
        ("add", folder, folder.parent / "log.csv", "--frame", "NAD83(2011)",
         "--heights", "ellipsoidal", "--position-of", "antenna"),
        ("decide", folder, "reject", "A-3", "--why", "hit a car"),
    ):  # fmt: skip
        done = run(*arguments)
        assert done.returncode == 0, done.stderr
        assert "ledger could not" not in done.stderr
    return folder


@pytest.fixture(scope="module")
def released(job):
    key = job.parent / "keys" / "key.pem"
    done = run("release", job, "--name", "Issue A", "--key", key, "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout), key


def test_every_command_is_on_the_ledger(job):
    done = run("ledger", "show", job, "--json")
    assert done.returncode == 0, done.stderr
    entries = json.loads(done.stdout)
    assert [entry["action"] for entry in entries][:3] == ["job-created", "upload-added", "decision"]
    assert {entry["who"] for entry in entries} == {"ana"}
    shown = run("ledger", "show", job, "--after", "2").stdout
    assert "reject, 1 shot: hit a car" in shown
    assert "started the job" not in shown


def test_a_release_is_made_with_a_key_of_ones_own(job, released):
    said, key = released
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert said["path"] == str(job / "releases" / "Issue_A.zip")
    again = run("release", job, "--name", "Issue A", "--key", key)
    assert again.returncode == 3
    assert "never changes" in again.stderr


def test_a_release_is_checked_and_a_changed_one_found(job, released, tmp_path):
    said, _ = released
    good = run("check-release", said["path"], "--key", said["public_key"])
    assert good.returncode == 0, good.stderr
    assert "The release holds: Issue A" in good.stdout
    assert "the key you gave" in good.stdout
    other = "A" * 43 + "="
    wrong = run("check-release", said["path"], "--key", other, "--json")
    assert wrong.returncode == 8
    assert json.loads(wrong.stdout)["expected_key"] is False

    data = bytearray((job / "releases" / "Issue_A.zip").read_bytes())
    data[len(data) // 3] ^= 4
    (tmp_path / "x.zip").write_bytes(data)
    bad = run("check-release", tmp_path / "x.zip", "--json")
    assert bad.returncode == 8
    assert json.loads(bad.stdout)["faults"]


def test_a_ledger_holds_and_goes_on_from_its_release(job, released):
    said, _ = released
    done = run("ledger", "verify", job, "--release", said["path"])
    assert done.returncode == 0, done.stderr
    assert "The ledger holds" in done.stdout
    found = json.loads(run("ledger", "verify", job, "--json").stdout)
    assert found["holds"] is True
    assert found["ledger"]["size"] == said["ledger"]["size"] + 1


def test_a_changed_ledger_is_found(job, tmp_path):
    import shutil
    import sqlite3

    copy = tmp_path / "copy"
    shutil.copytree(job, copy)
    connection = sqlite3.connect(copy / "asfound.sqlite")
    connection.execute("UPDATE ledger SET payload = replace(payload, 'hit a car', 'hit a bus')")
    connection.commit()
    connection.close()
    done = run("ledger", "verify", copy)
    assert done.returncode == 8
    assert "Entry 3" in done.stdout
    assert "does not hold" in done.stdout


def test_a_ledger_that_can_t_be_written_stops_no_command(job, tmp_path):
    import shutil

    copy = tmp_path / "copy"
    shutil.copytree(job, copy)
    (copy / "asfound.sqlite").write_bytes(b"damaged" * 1000)
    done = run("undo", copy, "d1", "--why", "it was parked elsewhere")
    assert done.returncode == 0
    assert "The ledger could not be written" in done.stderr
    assert "parked elsewhere" in (copy / "decisions.toml").read_text()
    shutil.copyfile(job / "asfound.sqlite", copy / "asfound.sqlite")
    assert run("decide", copy, "accept", "A-3", "--why", "seen again").returncode == 0
    assert "took back d1: it was parked elsewhere" in run("ledger", "show", copy).stdout


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["ledger", "show", "."], 3, "no job"),
        (["check-release", "nothing.zip"], 3, "can't be read"),
        (["check-release", "."], 8, "is missing"),
        (["check-release", ".", "--key", "nonsense"], 3, "no Ed25519 public key"),
    ],
)
def test_what_can_t_be_done_is_said(tmp_path, arguments, code, said):
    done = run(*arguments, cwd=tmp_path)
    assert done.returncode == code
    assert said in done.stderr + done.stdout
    assert "Traceback" not in done.stderr
