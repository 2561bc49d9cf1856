"""What was released can be made again byte for byte: later, and from a restored backup."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from asfound.desk import actions
from asfound.desk.config import DeskConfig
from asfound.desk.context import open_desk
from asfound.desk.guard import Identity
from asfound.desk.materialise import materialise
from asfound.desk.releasing import package_path, release_job
from asfound.desk.verifying import verify_desk
from asfound.desk.worker import run_waiting, take_up
from asfound.folder import process_job
from asfound.folder.release import reproduce_release
from asfound.model import ShotKey

WHO = Identity("Ana", "administrator")
HOW_TO = Path(__file__).parents[2] / "docs" / "how-to"
HINTS = {"frame": "ITRF2020", "receiver": "EL-1", "antenna_height": "2 m"}


def rows(minute: int) -> bytes:
    """An invented upload."""
    head = "Point,Time (UTC),Latitude,Longitude,Ellipsoidal height (m),Fix,Utility,Depth (m)\n"
    return (
        head
        + "".join(
            f"{n},2026-11-17T14:{minute:02d}:{n:02d}Z,{39.28 + 3e-5 * n:.6f},-98.05,404.0,"
            f"RTK fixed,gas,1.{n}\n"
            for n in range(8)
        )
    ).encode()


def add(desk, job: str, minute: int) -> str:
    """Take an upload in; its SHA-256."""
    from asfound.desk.guessing import guess
    from asfound.intake import mapping_to_toml

    sha256 = desk.blobs.keep([rows(minute)]).sha256
    found = guess(desk, job, sha256, "day.csv", HINTS)
    actions.add_upload(desk, WHO, job, sha256, "day.csv", mapping_to_toml(found.mapping))
    return sha256


def contents(path: Path, front: str) -> dict[str, str]:
    """SHA-256 of a release's files below a folder."""
    with zipfile.ZipFile(path) as package:
        return {
            name.removeprefix(front): hashlib.sha256(package.read(name)).hexdigest()
            for name in package.namelist()
            if name.startswith(front)
        }


def files(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def released(tmp_path, database_url):
    """A desk with a small job of two uploads and a decision, released, and worked on since."""
    config = DeskConfig(
        tmp_path / "data", database_url if database_url.startswith("postgresql") else ""
    )
    desk = open_desk(config)
    job = actions.create_job(desk, WHO, actions.new_settings("Elm", "EPSG:6467")).job
    first = add(desk, job, 5)
    actions.decide(desk, WHO, job, "reject", [ShotKey(first, 2)], why="held askew")
    run_waiting(desk)
    made = release_job(desk, WHO, job, "Issue A")
    add(desk, job, 25)
    actions.decide(desk, WHO, job, "reject", [ShotKey(first, 3)], why="held askew too")
    actions.undo(desk, WHO, job, desk.state(job).decided[0].decision.id, "it was not")
    yield desk, job, made
    desk.store.close()


def test_a_released_state_is_made_again_after_later_entries(released, tmp_path):
    desk, job, made = released
    package = package_path(desk, made)
    assert desk.store.head(job).size > made.head + 3
    state = desk.state_at(job, made.head)
    assert state != desk.state(job)
    folder = materialise(state, desk.blobs, tmp_path / "again", grids=desk.config.grids)
    assert files(folder.path) == contents(package, "job/"), "the same inputs, byte for byte"
    _, outputs = process_job(folder.path)
    again = {
        path.relative_to(folder.out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in outputs
    }
    assert again == contents(package, "out/"), "the same deliverables, byte for byte"


def test_a_release_that_was_broken_off_is_put_on_file_by_the_next_try(tmp_path, monkeypatch):
    desk = open_desk(DeskConfig(tmp_path / "data"))
    job = actions.create_job(desk, WHO, actions.new_settings("Elm", "EPSG:6467")).job
    add(desk, job, 5)
    run_waiting(desk)
    with monkeypatch.context() as patch:
        patch.setattr(desk.store, "add_release", lambda *_: 1 / 0)  # as if killed there
        with pytest.raises(ZeroDivisionError):
            release_job(desk, WHO, job, "Issue A")
    assert desk.store.list_releases(job) == []
    made = release_job(desk, WHO, job, "Issue A")
    assert desk.store.list_releases(job) == [made]
    assert len(desk.store.entries(job, actions=("released",))) == 1
    assert desk.store.verify(job).sound
    desk.store.close()


def test_after_a_restore_ledgers_hold_and_a_release_is_made_again(released, tmp_path):
    desk, job, made = released
    archive, restored = tmp_path / "desk.tar", tmp_path / "restored"
    database = "" if desk.store.is_sqlite else desk.config.database
    environment = {**os.environ, "PYTHON": sys.executable}

    def script(name: str, *arguments: object) -> None:
        done = subprocess.run(
            ["sh", str(HOW_TO / name), *map(str, arguments)],
            capture_output=True,
            text=True,
            env=environment,
        )
        assert done.returncode == 0, done.stderr

    script("desk-backup.sh", desk.config.data, archive, *([database] if database else []))
    script("desk-restore.sh", archive, restored)
    other = ""
    if database:
        other = restore_postgresql(database, restored / "database.sql")
    config = DeskConfig(restored, other)
    (check,) = verify_desk(config)
    assert check.ledger.sound, check.ledger.faults
    assert (check.ledger.head, check.releases) == (desk.store.head(job), 1)
    again = open_desk(config)
    try:
        (back,) = again.store.list_releases(job)
        assert back == made
        found = reproduce_release(package_path(again, back))
        assert found.complete
        assert (found.different, found.missing, found.extra) == ((), (), ())
        # Results are not in a backup: the desk makes them again when it starts.
        assert not again.places(job).current.exists()
        take_up(again)
        assert run_waiting(again) == 1
        assert again.places(job).view.joinpath("view.json").is_file()
        assert again.store.verify(job).sound
    finally:
        again.store.close()


def restore_postgresql(address: str, dump: Path) -> str:
    """Read a dump into a new database beside another, as the how-to says."""
    import psycopg

    server = address.replace("@/asfound?", "@/postgres?")
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute("DROP DATABASE IF EXISTS restored")
        connection.execute("CREATE DATABASE restored")
    new = address.replace("@/asfound?", "@/restored?")
    done = subprocess.run(
        ["psql", "--quiet", "--set", "ON_ERROR_STOP=1", "--file", str(dump), new],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return new
