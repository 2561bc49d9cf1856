"""The backup and restore scripts of docs/how-to/deploy-the-desk.md, run as a person would."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from asfound.desk import actions
from asfound.desk.config import DeskConfig
from asfound.desk.context import open_desk
from asfound.desk.guard import Identity
from asfound.desk.posted import Group

HOW_TO = Path(__file__).parents[2] / "docs" / "how-to"
WHO = Identity("Ana", "administrator")


def run(script: str, *arguments: Path | str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", str(HOW_TO / script), *map(str, arguments)],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHON": sys.executable},
    )


@pytest.fixture
def worked(tmp_path):
    """A desk's folder with a job, posted shots and frozen ones."""
    desk = open_desk(DeskConfig(tmp_path / "data"))
    job = actions.create_job(desk, WHO, actions.new_settings("Elm", "EPSG:6467")).job
    group = Group("EL-1", "ITRF2020", None, "none", "", "antenna")
    row = {"time": "2026-11-17T14:00:00Z", "latitude": 39.0, "longitude": -98.0}
    actions.post_shots(desk, WHO, job, group, [row])
    actions.seal_batches(desk, job)
    actions.post_shots(desk, WHO, job, group, [row])
    yield desk, job, tmp_path
    desk.store.close()


def test_a_backup_of_a_running_desk_restores_and_is_proved(worked):
    desk, job, place = worked
    done = run("desk-backup.sh", desk.config.data, place / "desk.tar")
    assert done.returncode == 0, done.stderr
    restored = run("desk-restore.sh", place / "desk.tar", place / "new")
    assert restored.returncode == 0, restored.stderr
    assert "1 raw files, 1 jobs, 4 ledger entries" in restored.stdout
    again = open_desk(DeskConfig(place / "new"))
    assert again.state(job) == desk.state(job)
    assert again.store.verify(job).sound
    assert again.store.signing_key.public == desk.store.signing_key.public
    again.store.close()
    key = place / "new" / "keys" / "release.pem"
    assert key.stat().st_mode & 0o077 == 0, "the key stays its owner's"


def test_a_restore_never_writes_over_a_folder(worked):
    desk, _, place = worked
    run("desk-backup.sh", desk.config.data, place / "desk.tar")
    refused = run("desk-restore.sh", place / "desk.tar", desk.config.data)
    assert refused.returncode == 1
    assert "there already" in refused.stderr


@pytest.mark.parametrize("harm", ["raw", "gone", "ledger"])
def test_a_backup_that_does_not_hold_is_said(worked, harm):
    import sqlite3

    desk, job, place = worked
    sha256 = desk.state(job).uploads[0].main.sha256
    path = desk.blobs.path(sha256)
    path.chmod(0o600)
    if harm == "raw":
        path.write_bytes(path.read_bytes() + b"x")
    elif harm == "gone":
        path.unlink()
    else:
        with sqlite3.connect(desk.config.data / "asfound.sqlite") as database:
            database.execute("UPDATE ledger SET who = 'Eve' WHERE sequence = 2")
        database.close()
    assert run("desk-backup.sh", desk.config.data, place / "desk.tar").returncode == 0
    restored = run("desk-restore.sh", place / "desk.tar", place / "new")
    assert restored.returncode == 1
    assert "does not hold" in restored.stderr


def test_the_unit_starts_the_desk_with_options_that_it_has():
    from typer.main import get_command

    from asfound.cli.app import app

    page = (HOW_TO / "deploy-the-desk.md").read_text()
    known = {
        option
        for parameter in get_command(app).commands["desk"].params
        for option in parameter.opts
    }
    used = set(re.findall(r"(?<![\w-])(--[a-z][a-z-]+)", re.search(r"ExecStart=.*", page)[0]))
    assert used <= known
    assert {"--data", "--public-address", "--proxy"} <= used
    for named in ("--database", "--map-host", "--most-upload"):
        assert named in page
        assert named in known
