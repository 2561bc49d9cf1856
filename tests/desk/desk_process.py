"""A desk in processes of its own, to be killed at will; and clients that insist on an answer."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

CRS = "EPSG:6467"


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def prepare(data: Path, database: str = "", jobs: int = 1) -> tuple[str, list[str]]:
    """A desk's folder with empty jobs; the secret of a reviewer's token, and the jobs' ids."""
    from asfound.desk import actions
    from asfound.desk.config import DeskConfig
    from asfound.desk.context import open_desk
    from asfound.desk.guard import Identity

    desk = open_desk(DeskConfig(data, database))
    user = desk.store.create_user("load", "four words that don't belong", "administrator")
    secret, _ = desk.store.create_token("load", "administrator", user_id=user.id)
    who = Identity("load", "administrator")
    settings = [actions.new_settings(f"Load {number}", CRS) for number in range(jobs)]
    made = [actions.create_job(desk, who, one).job for one in settings]
    desk.store.close()
    return secret, made


def kept(data: Path, database: str = "") -> Any:
    """The desk's folder and database, opened beside the server."""
    from asfound.desk.config import DeskConfig
    from asfound.desk.context import open_desk

    return open_desk(DeskConfig(data, database))


class DeskProcess:
    """`asfound desk` on a port that stays the same when it is started again."""

    def __init__(self, data: Path, database: str = "", *more: str) -> None:
        self.data, self.port = data, free_port()
        self.log = data.parent / "desk.log"
        self._command = [sys.executable, "-m", "asfound.cli", "desk", "--data", str(data)]
        self._command += ["--port", str(self.port), *more]
        if database:
            self._command += ["--database", database]
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                self._command,
                stdout=log,
                stderr=subprocess.STDOUT,
                env={**os.environ, "OMP_NUM_THREADS": "1", "PYTHONUNBUFFERED": "1"},
            )
        limit = time.monotonic() + 90
        while True:
            with contextlib.suppress(OSError, http.client.HTTPException):
                line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
                with contextlib.closing(line):
                    line.request("GET", "/health")
                    if line.getresponse().status == 200:
                        return
            assert self.process.poll() is None, self.said()
            assert time.monotonic() < limit, self.said()
            time.sleep(0.02)

    def said(self) -> str:
        """All that it printed."""
        return self.log.read_text("utf-8", "replace")

    def kill(self) -> None:
        """kill -9 of the server alone."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def workers(self) -> list[int]:
        """Process ids of its workers."""
        assert self.process is not None
        found = []
        for stat in Path("/proc").glob("[0-9]*/stat"):
            with contextlib.suppress(OSError):
                if int(stat.read_text().rpartition(")")[2].split()[1]) == self.process.pid:
                    found.append(int(stat.parent.name))
        return found

    def kill_worker(self) -> None:
        """kill -9 of the worker alone."""
        for number in self.workers():
            with contextlib.suppress(ProcessLookupError):
                os.kill(number, signal.SIGKILL)

    def stop(self, number: int = signal.SIGTERM) -> int:
        """End it as the system would; its exit code."""
        assert self.process is not None
        if self.process.poll() is None:
            self.process.send_signal(number)
        try:
            return self.process.wait(30)
        finally:
            self.process.kill()


class Line:
    """One client with a token and a connection that it opens again as needed."""

    def __init__(self, port: int, secret: str) -> None:
        self._port, self._secret = port, secret
        self._connection: http.client.HTTPConnection | None = None

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _open(self) -> http.client.HTTPConnection:
        if self._connection is None:
            self._connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=120)
            self._connection.connect()
            self._connection.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return self._connection

    def _headers(self, key: str | None, kind: str) -> dict[str, str]:
        headers = {"Authorization": f"Bearer {self._secret}", "Content-Type": kind}
        return headers | ({"Idempotency-Key": key} if key else {})

    def raw(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        *,
        key: str | None = None,
        kind: str = "application/json",
    ) -> tuple[int, bytes]:
        """One request, once; OSError or HTTPException where the connection broke."""
        try:
            connection = self._open()
            connection.request(method, path, body, self._headers(key, kind))
            answer = connection.getresponse()
            return answer.status, answer.read()
        except (OSError, http.client.HTTPException):
            self.close()
            raise

    def cut(self, path: str, body: bytes, *, key: str, sent: float) -> None:
        """Send a share of a POST's body, then hang up without reading an answer."""
        connection = self._open()
        connection.putrequest("POST", path)
        for name, value in self._headers(key, "application/json").items():
            connection.putheader(name, value)
        connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body[: max(1, round(len(body) * sent))])
        self.close()

    def json(
        self, method: str, path: str, tree: Any = None, *, key: str | None = None
    ) -> tuple[int, Any]:
        """One request, once."""
        body = None if tree is None else json.dumps(tree).encode()
        status, data = self.raw(method, path, body, key=key)
        return status, json.loads(data)

    def upload(
        self, job: str, name: str, data: bytes, fields: Mapping[str, str]
    ) -> tuple[int, Any]:
        """A file, once."""
        edge = "edge-4b1d09"
        parts = [
            f'--{edge}\r\nContent-Disposition: form-data; name="{field}"\r\n\r\n{value}\r\n'
            for field, value in fields.items()
        ]
        parts.append(
            f'--{edge}\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n'
            "Content-Type: application/octet-stream\r\n\r\n"
        )
        body = "".join(parts).encode() + data + f"\r\n--{edge}--\r\n".encode()
        kind = f"multipart/form-data; boundary={edge}"
        status, answer = self.raw("POST", f"/api/v1/jobs/{job}/uploads", body, kind=kind)
        return status, json.loads(answer)
