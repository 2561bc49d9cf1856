"""The desk as it is started: what it prints, its worker, and its end with open streams."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Running:
    """A desk in a process of its own."""

    def __init__(self, data: Path, *more: str) -> None:
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}"
        command = [sys.executable, "-m", "asfound.cli", "desk", "--data", str(data)]
        self.process = subprocess.Popen(
            [*command, "--port", str(self.port), *more],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        self.said = ""
        while "Ctrl-C" not in self.said:
            line = self.process.stdout.readline()
            assert line, self.said
            self.said += line
        limit = time.monotonic() + 90
        while True:
            try:
                assert httpx.get(f"{self.address}/health").json() == {"status": "ok"}
                return
            except httpx.TransportError:
                assert time.monotonic() < limit
                time.sleep(0.05)

    def stop(self) -> int:
        self.process.send_signal(signal.SIGINT)
        try:
            return self.process.wait(90)
        finally:
            self.kill()

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()


def test_a_new_desk_prints_its_address_and_a_code_and_opens_with_it(tmp_path):
    desk = Running(tmp_path / "data")
    try:
        assert str(desk.port) in desk.said
        code = re.search(r"^\s+([A-Z2-9]{4}(?:-[A-Z2-9]{4}){3})$", desk.said, re.M)[1]
        with httpx.Client(base_url=desk.address) as browser:
            page = browser.get("/first-run")
            token = re.search(r'name="csrf" value="([^"]+)"', page.text)[1]
            form = {"name": "Ana", "password": "a good long one", "again": "a good long one"}
            done = browser.post("/first-run", data={"csrf": token, "code": code, **form})
            assert done.headers["location"] == "/jobs"
            assert browser.get("/jobs").status_code == 200
            assert "server" not in done.headers
    finally:
        assert desk.stop() == 0


def test_the_demonstration_is_processed_by_the_worker_and_streams_end_with_the_server(tmp_path):
    desk = Running(tmp_path / "data", "--demo")
    name, password = re.search(r"Log in as (\w+) with the password (\S+)", desk.said).groups()
    job = re.search(r"/jobs/(\S+)", desk.said)[1]
    states = []
    with httpx.Client(base_url=desk.address, timeout=60) as browser:
        token = re.search(r'name="csrf" value="([^"]+)"', browser.get("/login").text)[1]
        form = {"csrf": token, "name": name, "password": password}
        assert browser.post("/login", data=form).status_code == 303
        with browser.stream("GET", f"/jobs/{job}/events") as events:
            assert events.headers["content-type"].startswith("text/event-stream")
            for line in events.iter_lines():
                found = re.search(r'"state": "(\w+)"', line)
                if found:
                    states.append(found[1])
                if states and states[-1] == "done":
                    break
            assert browser.get(f"/jobs/{job}/view/view.json").status_code == 200
            begun = time.monotonic()
            assert desk.stop() == 0
            assert time.monotonic() - begun < 30
    assert states[-1] == "done"
    assert len(states) > 2, "progress came in between"


def test_a_server_that_is_killed_takes_its_worker_with_it_and_starts_again(tmp_path):
    first = Running(tmp_path / "data", "--demo")
    time.sleep(1.0)
    workers = children(first.process.pid)
    assert workers
    first.kill()
    limit = time.monotonic() + 90
    while any(alive(number) for number in workers):
        assert time.monotonic() < limit, "the worker outlives its server"
        time.sleep(0.1)
    again = Running(tmp_path / "data", "--demo")
    try:
        assert "password" not in again.said
        assert "first-run" not in again.said
    finally:
        assert again.stop() == 0


def children(parent: int) -> list[int]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[1]) == parent:
            found.append(int(stat.parent.name))
    return found


def alive(number: int) -> bool:
    try:
        return Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.parametrize("letters", ["code"])
def test_codes_are_long_and_never_the_same(letters):
    from asfound.desk.server import new_code

    codes = {new_code() for _ in range(100)}
    assert len(codes) == 100
    assert all(re.fullmatch(r"[A-Z2-9]{4}(-[A-Z2-9]{4}){3}", code) for code in codes)
    assert not any(set("O01I") & set(code) for code in codes)


def test_a_second_desk_with_another_folder_is_refused_the_same_database(tmp_path):
    database = f"sqlite:///{tmp_path}/one.sqlite"
    first = Running(tmp_path / "a", "--database", database)
    try:
        command = [sys.executable, "-m", "asfound.cli", "desk", "--data", str(tmp_path / "b")]
        second = subprocess.run(
            [*command, "--database", database, "--port", str(free_port())],
            capture_output=True,
            text=True,
            timeout=90,
        )
        assert second.returncode != 0
        assert "another desk is at work on this database" in second.stderr
    finally:
        assert first.stop() == 0
