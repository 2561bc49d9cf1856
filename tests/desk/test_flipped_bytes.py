"""A flipped byte of a desk's ledger, raw files or releases is found, by command and by API."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy import text

from asfound.desk import actions
from asfound.desk.config import DeskConfig
from asfound.desk.context import open_desk
from asfound.desk.guard import Identity
from asfound.desk.posted import Group
from asfound.desk.verifying import verify_desk
from asfound.errors import AsfoundError

WHO = Identity("Ana", "administrator")
COLUMNS = ("job", "time", "who", "action", "payload", "previous", "hash", "key")


def fill(desk) -> str:
    """A job with some entries of each part."""
    job = actions.create_job(desk, WHO, actions.new_settings("Elm", "EPSG:6467")).job
    group = Group("EL-1", "ITRF2020", None, "none", "", "antenna")
    for number in range(3):
        row = {"time": f"2026-11-17T14:0{number}:00Z", "latitude": 39.0, "longitude": -98.0}
        actions.post_shots(desk, WHO, job, group, [row], key=f"key-{number}")
    actions.seal_batches(desk, job)
    return job


@pytest.fixture
def filled(tmp_path, database_url):
    """Settings of a desk with a job, closed; on each kind of database."""
    config = DeskConfig(
        tmp_path / "data", database_url if database_url.startswith("postgresql") else ""
    )
    desk = open_desk(config)
    job = fill(desk)
    desk.store.close()
    return config, job


def sound(config) -> bool:
    try:
        return all(check.ledger.sound for check in verify_desk(config))
    except AsfoundError:
        return False  # The database can't even be read.


def flipped(value: str, generator) -> str:
    """A text with one bit of one character changed."""
    at = int(generator.integers(len(value)))
    return value[:at] + chr(ord(value[at]) ^ (1 << int(generator.integers(5)))) + value[at + 1 :]


def test_a_flipped_bit_of_any_field_of_any_entry_is_found(filled):
    config, job = filled
    assert sound(config)
    generator = np.random.default_rng(4)
    desk = open_desk(config)
    size = desk.store.head(job).size
    assert size >= 5
    tried = 0
    with desk.store.engine.connect() as connection:
        if desk.store.is_sqlite:
            # Of no effect within a transaction, so past SQLAlchemy.
            connection.connection.driver_connection.execute("PRAGMA foreign_keys = OFF")
        else:
            connection.execute(text("SET session_replication_role = replica"))
            connection.commit()
        for sequence in range(1, size + 1):
            for column in COLUMNS:
                where = {"job": job, "sequence": sequence}
                row = f"FROM ledger WHERE job = :job AND sequence = {sequence}"
                value = connection.execute(text(f"SELECT {column} {row}"), where).scalar()
                if value is None:
                    continue
                new = flipped(value, generator)
                at = {"job": new if column == "job" else job, "was": value, "new": new}
                change = f"UPDATE ledger SET {column} = :new WHERE sequence = {sequence}"
                connection.execute(text(f"{change} AND job = :was_job"), {**at, "was_job": job})
                connection.commit()
                assert not sound(config), (sequence, column, value, new)
                tried += 1
                back = f"UPDATE ledger SET {column} = :was WHERE sequence = {sequence}"
                connection.execute(text(f"{back} AND job = :job"), at)
                connection.commit()
    assert tried > 30
    desk.store.close()
    assert sound(config), "all was put back"


def test_a_flipped_byte_of_the_databases_file_is_found_or_is_none_of_the_ledger(tmp_path):
    config = DeskConfig(tmp_path / "data")
    desk = open_desk(config)
    job = fill(desk)
    entries = desk.store.entries(job)
    desk.store.close()
    place = config.data / "asfound.sqlite"
    with sqlite3.connect(place) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()
    good = place.read_bytes()
    generator = np.random.default_rng(8)
    inside = []
    for entry in entries:
        # The place of each entry's own bytes in the file; the payload's is the longest.
        at = good.index(entry.payload_json.encode())
        inside += (at + generator.integers(0, len(entry.payload_json), 6)).tolist()
        at = good.index(entry.hash.encode())
        inside += (at + generator.integers(0, 64, 2)).tolist()
    elsewhere = generator.integers(0, len(good), 40).tolist()
    found = 0
    for at in [*inside, *elsewhere]:
        changed = bytearray(good)
        changed[at] ^= 1 << int(generator.integers(7))
        for left in config.data.glob("asfound.sqlite-*"):
            left.unlink()
        place.write_bytes(changed)
        if not sound(config):
            found += 1
            continue
        assert at not in inside, at
        again = open_desk(replace(config))
        assert again.store.entries(job) == entries
        again.store.close()
    assert found >= len(inside)


def test_the_api_says_which_entry_was_changed(filled, site_type):
    config, job = filled
    site = site_type(open_desk(config))
    browser = site.as_role("reader")
    path = f"/api/v1/jobs/{job}/ledger/verify"
    assert browser.get(path).json()["sound"]
    with site.desk.store.writing() as connection:
        connection.execute(
            text("UPDATE ledger SET who = 'Bna' WHERE job = :job AND sequence = 3"), {"job": job}
        )
    found = browser.get(path).json()
    assert not found["sound"]
    assert 3 in [fault["sequence"] for fault in found["faults"]]
    site.desk.store.close()


def test_the_command_names_what_was_changed_and_leaves_with_a_code(tmp_path):
    config = DeskConfig(tmp_path / "data")
    desk = open_desk(config)
    job = fill(desk)
    blob = desk.blobs.path(desk.state(job).uploads[0].main.sha256)
    desk.store.close()
    command = [sys.executable, "-m", "asfound.cli", "ledger", "verify", str(config.data)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert f"{job} holds: 5 entries, 1 raw files, 0 releases" in " ".join(done.stdout.split())
    blob.chmod(0o600)
    data = bytearray(blob.read_bytes())
    data[7] ^= 1
    blob.write_bytes(data)
    done = subprocess.run([*command, "--json"], capture_output=True, text=True)
    assert done.returncode == 8, done.stderr
    (said,) = json.loads(done.stdout)
    assert not said["holds"]
    assert "was changed" in said["faults"][0]["what"]
    blob.unlink()
    (check,) = verify_desk(config)
    assert "is missing" in check.ledger.faults[0].what


def test_a_folder_that_is_no_desks_is_said(tmp_path):
    with pytest.raises(AsfoundError, match="no folder of a desk"):
        verify_desk(DeskConfig(tmp_path))


def test_a_release_that_was_changed_or_taken_away_is_found(demo):
    from asfound.desk.releasing import release_job

    released = release_job(demo.desk, WHO, demo.job, "Issue A")
    (check,) = verify_desk(demo.desk.config)
    assert (check.ledger.sound, check.releases) == (True, 1), check.ledger.faults
    package = demo.desk.config.releases / released.path
    kept = package.with_suffix(".kept")
    shutil.copyfile(package, kept)
    data = bytearray(package.read_bytes())
    data[len(data) // 2] ^= 4
    package.chmod(0o600)
    package.write_bytes(data)
    (check,) = verify_desk(demo.desk.config)
    assert "release Issue A" in check.ledger.faults[0].what
    package.unlink()
    (check,) = verify_desk(demo.desk.config)
    assert check.ledger.faults[0].what == "the package of release Issue A is missing"
