"""Full and read-only disks, a second desk on the same folder, a port in use, ends with streams."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from desk_process import DeskProcess, Line, prepare

from asfound.desk import blobs, locking
from asfound.desk.config import DeskConfig
from asfound.desk.context import open_desk
from asfound.desk.locking import only_server, try_lock
from asfound.errors import InputError

CSV = (
    "Point,Time (UTC),Latitude,Longitude,Ellipsoidal height (m),Fix,Utility,Depth (m)\r\n"
    "1,2026-11-17T14:12:20Z,39.272087,-98.040451,404.03,RTK fixed,gas,1.10\r\n"
    "2,2026-11-17T14:13:20Z,39.272097,-98.040451,404.05,RTK fixed,gas,1.12\r\n"
)
HINTS = '{"frame": "ITRF2020", "receiver": "EL-1", "antenna_height": "2 m"}'
SHOT = {"time": "2026-11-17T14:00:00Z", "latitude": 39.27, "longitude": -98.04, "depth_m": 1.0}


def upload(browser, job, more=""):
    return browser.post(
        f"/api/v1/jobs/{job}/uploads",
        files={"file": ("day.csv", (CSV + more).encode())},
        data={"hints": HINTS},
    )


def post(browser, job, note):
    body = {"receiver": "EL-1", "frame": "ITRF2020", "rows": [{**SHOT, "note": note}]}
    return browser.post(
        f"/api/v1/jobs/{job}/shots", json=body, headers={"Idempotency-Key": note[:20]}
    )


def refused(answer, *words):
    """A sentence with a remedy, and not the desk's own fault."""
    assert answer.status_code in (503, 507), answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert any(word in body["detail"] for word in words), body
    assert body["remedy"]
    assert "Traceback" not in answer.text


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 6 MB of its own."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=6m,mode=0750", "none", str(place)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("only root may mount a small disk")
    yield place
    subprocess.run(["umount", "--lazy", str(place)], check=True)


@pytest.fixture
def on_small_disk(small_disk, site_type):
    site = site_type(open_desk(DeskConfig(small_disk / "data")))
    browser = site.as_role("administrator")
    made = browser.post("/api/v1/jobs", json={"name": "Elm Street", "crs": "EPSG:6467"})
    site.job = made.json()["id"]
    yield site, browser
    site.desk.store.close()


def fill(place: Path) -> Path:
    """Leave no room on a disk."""
    filler = place / "filler"
    with filler.open("wb", buffering=0) as stream:
        for size in (1 << 16, 1 << 12, 1 << 8):
            with contextlib.suppress(OSError):
                while True:
                    stream.write(b"\1" * size)
    assert os.statvfs(place).f_bavail == 0
    return filler


def test_on_a_full_disk_all_writing_is_refused_and_goes_on_when_there_is_room(
    small_disk, on_small_disk
):
    site, browser = on_small_disk
    assert upload(browser, site.job).status_code == 201
    site.work()
    before = site.desk.store.head(site.job)
    results = site.desk.places(site.job).current.resolve()
    filler = fill(small_disk)
    refused(upload(browser, site.job, "3,"), "disk")
    # The database's log may have some room in it; it must end without a loss.
    kept = []
    for number in range(200):
        answer = post(browser, site.job, f"{number}-" + "x" * 1500)
        if answer.status_code != 201:
            break
        kept.append(answer.json()["sequence"])
    refused(answer, "disk")
    assert browser.get(f"/jobs/{site.job}/view/view.json").status_code == 200, "reading goes on"
    assert not list((small_disk / "data" / "blobs").glob(".part-*"))
    assert site.desk.store.head(site.job).size == before.size + len(kept)
    assert site.desk.store.verify(site.job, heads=[before]).sound
    filler.unlink()
    assert upload(browser, site.job, "3,2026-11-17T14:14:20Z,39.27211,-98.04,404.0,,gas,1\r\n")
    again = post(browser, site.job, f"{len(kept)}-" + "x" * 1500)
    assert again.status_code == 201
    filler = fill(small_disk)
    filler.write_bytes(filler.read_bytes()[: -300 * 1024])  # room for the task, not for results
    site.work()
    filler.unlink()
    task = site.desk.store.list_tasks(site.job)[0]
    if task.state == "failed":
        assert "free space" in task.message or "disk" in task.message, task.message
        assert site.desk.places(site.job).current.resolve() == results
        browser.post(f"/api/v1/jobs/{site.job}/process")
        site.work()
    assert site.desk.state(site.job).up_to_date
    assert site.desk.store.verify(site.job, heads=[before]).sound


def test_on_a_read_only_disk_nothing_is_written_and_that_is_said(small_disk, on_small_disk):
    site, browser = on_small_disk
    assert upload(browser, site.job).status_code == 201
    head = site.desk.store.head(site.job)
    remount = ["mount", "-o", "remount,ro", str(small_disk)]
    site.desk.store.engine.dispose()
    assert subprocess.run(remount, capture_output=True).returncode == 0
    refused(upload(browser, site.job, "3,"), "can't be written", "can't be opened")
    refused(post(browser, site.job, "one"), "can't be written", "can't be opened")
    done = subprocess.run(
        [sys.executable, "-m", "asfound.cli", "desk", "--data", str(small_disk / "data")],
        capture_output=True,
        text=True,
    )
    assert done.returncode == InputError.exit_code
    assert "can't be written to" in done.stderr
    assert "read-only" in done.stderr
    assert "Traceback" not in done.stderr
    subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
    assert site.desk.store.head(site.job) == head
    assert post(browser, site.job, "one").status_code == 201
    assert site.desk.store.verify(site.job).sound


@pytest.mark.parametrize(
    ("number", "words"), [(errno.ENOSPC, "is full"), (errno.EROFS, "can't be written to")]
)
def test_a_disk_that_fails_while_a_file_comes_leaves_nothing(site, monkeypatch, number, words):
    browser = site.as_role("administrator")
    job = browser.post("/api/v1/jobs", json={"name": "Elm", "crs": "EPSG:6467"}).json()["id"]

    def fails(handle):
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr(blobs.os, "fsync", fails)
        answer = upload(browser, job)
    refused(answer, words)
    assert answer.status_code == 507
    assert answer.json()["title"] == "The desk can't keep anything now."
    left = [path for path in site.desk.config.blobs.rglob("*") if path.is_file()]
    assert left == []
    assert site.desk.store.head(job).size == 1
    assert upload(browser, job).status_code == 201


def test_a_folder_that_can_not_be_written_to_is_said_before_anything_else(tmp_path, monkeypatch):
    def fails(*_):
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(locking.os, "open", fails)
    with pytest.raises(InputError, match="can't be written to") as caught, only_server(tmp_path):
        pass
    assert "read-only" in caught.value.remedy


def test_a_lock_ends_with_its_holder(tmp_path):
    first = try_lock(tmp_path / "lock")
    assert first is not None
    assert try_lock(tmp_path / "lock") is None
    os.close(first)
    second = try_lock(tmp_path / "lock")
    assert second is not None
    os.close(second)


def test_a_second_desk_ends_with_a_sentence_and_the_first_ends_in_peace_with_streams(tmp_path):
    data = tmp_path / "data"
    secret, (job,) = prepare(data)
    first = DeskProcess(data)
    first.start()
    command = [sys.executable, "-m", "asfound.cli", "desk"]
    ended: list[bytes] = []

    def listen() -> None:
        with socket.create_connection(("127.0.0.1", first.port)) as stream:
            head = f"GET /jobs/{job}/events HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {secret}"
            stream.sendall(f"{head}\r\n\r\n".encode())
            data = b""
            while part := stream.recv(65536):
                data += part
            ended.append(data)

    streams = [threading.Thread(target=listen) for _ in range(5)]
    try:
        for thread in streams:
            thread.start()
        second = subprocess.run([*command, "--data", str(data)], capture_output=True, text=True)
        assert second.returncode == InputError.exit_code
        assert "another desk is at work in this folder" in " ".join(second.stderr.split())
        assert str(first.process.pid) in second.stderr
        third = subprocess.run(
            [*command, "--data", str(tmp_path / "other"), "--port", str(first.port)],
            capture_output=True,
            text=True,
        )
        assert third.returncode == InputError.exit_code
        assert "can't be listened on" in " ".join(third.stderr.split())
        assert "choose another port" in " ".join(third.stderr.split())
        line = Line(first.port, secret)
        status, found = line.json("GET", f"/api/v1/jobs/{job}/ledger/verify")
        line.close()
        assert (status, found["sound"]) == (200, True)
        workers = first.workers()
        started = time.monotonic()
        assert first.stop(signal.SIGTERM) == 0
        assert time.monotonic() - started < 10
    finally:
        first.stop()
    for thread in streams:
        thread.join(10)
    assert len(ended) == 5
    for data in ended:
        assert b"event: task" in data
        assert data.endswith(b"0\r\n\r\n"), "the stream was ended, not cut"
    assert len(workers) == 1
    assert not Path(f"/proc/{workers[0]}").exists()
    assert "Traceback" not in first.said()


def test_what_was_half_written_goes_when_it_is_old(site):
    old, fresh = site.desk.config.blobs / ".part-old", site.desk.config.blobs / ".part-new"
    kept = site.desk.blobs.keep([b"raw"]).path
    for path in (old, fresh):
        path.write_bytes(b"half")
    for path in (old, kept):
        os.utime(path, (1, 1))
    site.desk.clear_leftovers()
    assert not old.exists()
    assert fresh.exists()
    assert kept.read_bytes() == b"raw"
    assert json.loads(site.browser().get("/health").text) == {"status": "ok"}
