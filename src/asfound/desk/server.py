"""Running a desk: the server in this process, the worker in one of its own, watched."""

from __future__ import annotations

import os
import secrets
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from types import FrameType
from typing import NoReturn

import uvicorn

from asfound.desk.app import create_app
from asfound.desk.config import DeskConfig
from asfound.desk.context import Desk, open_desk
from asfound.desk.demo import add_demo
from asfound.desk.locking import only_server
from asfound.desk.logs import set_up_logs
from asfound.errors import InputError

_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
_GRACE = 5
_WELL = 30.0
"""A worker that ran for so long [s] is started again without delay."""


def new_code() -> str:
    """A one-time code that can be read off a console: 16 letters and digits."""
    letters = [secrets.choice(_LETTERS) for _ in range(16)]
    return "-".join("".join(letters[k : k + 4]) for k in range(0, 16, 4))


class DeskServer(uvicorn.Server):
    """A server that ends its open streams when it is told to stop."""

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Told to stop: streams of events end, so that the server can."""
        app = self.config.app
        stopping = getattr(getattr(app, "state", None), "stopping", None)
        if stopping is not None:
            stopping.set()
        super().handle_exit(sig, frame)


class Worker:
    """The worker's process, started again whenever it ends by itself."""

    def __init__(self, config: DeskConfig) -> None:
        self._environment = {
            **os.environ,
            "ASFOUND_DATA": str(config.data.resolve()),
            "ASFOUND_DATABASE": config.database,
            "ASFOUND_PARENT": str(os.getpid()),
        }
        self._stop = threading.Event()
        self.process: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def start(self) -> None:
        """Start it, and watch it from now on."""
        self._thread.start()

    def _watch(self) -> None:
        wait = 0.25
        while not self._stop.is_set():
            started = time.monotonic()
            # A session of its own: Ctrl-C on the console is for the server, which stops us.
            self.process = subprocess.Popen(
                [sys.executable, "-m", "asfound.desk.worker"],
                env=self._environment,
                start_new_session=True,
            )
            self.process.wait()
            wait = 0.25 if time.monotonic() - started > _WELL else min(wait * 2, 30.0)
            self._stop.wait(wait)

    def stop(self) -> None:
        """Let it end its task, or end it: what it does can be done again."""
        self._stop.set()
        process = self.process
        if process is None or process.poll() is not None:
            return
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(_GRACE)
        except subprocess.TimeoutExpired:
            process.kill()


def run_desk(
    config: DeskConfig,
    *,
    host: str = "127.0.0.1",
    port: int = 8080,
    demo: bool = False,
    say: Callable[[str], None] = print,
) -> None:
    """Run a desk until it is told to stop.

    Parameters
    ----------
    host, port : str, int
        To listen on.
    demo : bool
        Put the demonstration job on it.
    say : callable
        Told what whoever started the desk must know: its address and the first-run code.

    Raises
    ------
    AsfoundError
        If another desk is at work in the folder or on the database, the folder can't be written
        to, the database can't be used, or the address can't be listened on.
    """
    set_up_logs()
    with only_server(config.data), _ended_by_signals(), closing(_listen(host, port)) as listening:
        _run(config, host, listening, demo, say)


def _run(
    config: DeskConfig,
    host: str,
    listening: socket.socket,
    demo: bool,
    say: Callable[[str], None],
) -> None:
    config = replace(config, first_run_code=config.first_run_code or new_code())
    desk = open_desk(config)
    try:
        # One that was killed a moment ago may still be held by PostgreSQL.
        with desk.store.only_one("server", wait=_GRACE) as alone:
            if not alone:
                raise InputError(
                    "another desk is at work on this database, with another folder.",
                    where=desk.store.shown_url,
                    remedy="Use that one, or stop it first; or name another database with "
                    "--database.",
                )
            _serve(config, desk, host, listening, demo, say)
    finally:
        desk.store.close()


def _serve(
    config: DeskConfig,
    desk: Desk,
    host: str,
    listening: socket.socket,
    demo: bool,
    say: Callable[[str], None],
) -> None:
    desk.clear_leftovers()
    port = listening.getsockname()[1]
    address = config.public_address or f"http://{'localhost' if _local(host) else host}:{port}"
    if demo:
        made = add_demo(desk)
        say(f"Demonstration job (invented): {address}/jobs/{made.job}")
        if made.password:
            say(f"Log in as {made.name} with the password {made.password}")
    if not desk.store.has_users():
        say(f"The first administrator is made at {address}/first-run with the code")
        say(f"    {config.first_run_code}")
    say(f"The desk is at {address} (Ctrl-C stops it).")
    server = DeskServer(
        uvicorn.Config(
            create_app(config, desk),
            log_level="warning",
            # Whose address is believed is the desk's own setting.
            proxy_headers=False,
            server_header=False,
            timeout_graceful_shutdown=_GRACE,
        )
    )
    worker = Worker(config)
    worker.start()
    try:
        server.run(sockets=[listening])
    finally:
        worker.stop()


@contextmanager
def _ended_by_signals() -> Iterator[None]:
    """Ctrl-C and ``systemctl stop`` are ends like any other, at any moment, with code 0."""

    def leave(*_: object) -> NoReturn:
        raise SystemExit(0)

    numbers = (signal.SIGINT, signal.SIGTERM)
    before = {number: signal.signal(number, leave) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _listen(host: str, port: int) -> socket.socket:
    """A socket at an address.

    Raises
    ------
    InputError
        If it can't be listened on.
    """
    try:
        family, *_ = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        return socket.create_server((host, port), family=family)
    except OSError as error:
        raise InputError(
            f"port {port} of {host} can't be listened on: {error.strerror or error}.",
            where="--port",
            remedy="Another program may use it: stop that one, or choose another port.",
        ) from error


def _local(host: str) -> bool:
    return host in ("127.0.0.1", "::1", "localhost", "0.0.0.0", "::")
