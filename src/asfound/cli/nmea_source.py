"""Where a receiver's live sentences come from: a TCP port, a serial port, a log, standard input.

One thread reads and hands over bytes with the clock at which they came; whoever shows them never
waits for a link. A dropped TCP or serial link is opened again and again until it is back.
"""

from __future__ import annotations

import queue
import re
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from asfound.errors import InputError

_TICK = 0.2  # longest wait before looking whether to stop [s]
_SILENT = 10.0  # a TCP link without a byte for so long is taken for dead [s]
_RETRIES = (0.5, 1.0, 2.0, 3.0)  # waits before opening a link again [s]; the last one stays
_LONGEST_GAP = 5.0  # a replay never waits longer, whatever gap the log has [s]
_TIME = re.compile(rb"\$..(?:GGA|RMC|GST),(\d\d)(\d\d)(\d\d(?:\.\d+)?)")
_DATE = re.compile(rb"\$..RMC,(?:[^,]*,){8}(\d\d)(\d\d)(\d\d),")
_MOST_WAITING = 4096
_REMEDY = "Give tcp://HOST:PORT, serial:/dev/ttyUSB0@115200, a log's file name, or - for input."


@dataclass(frozen=True)
class Arrived:
    """Bytes with the clock of their arrival [s], or what happened to the link."""

    at: float
    data: bytes = b""
    news: str = ""
    ended: bool = False


class NmeaSource:
    """A stream that is being read.

    Parameters
    ----------
    address : str
    speed : float
        Of the replay of a log: 1 as it was, 0 as fast as it can be read.

    Raises
    ------
    InputError
        If the address is none, or the file or the serial package is not there.
    """

    def __init__(self, address: str, *, speed: float = 1.0) -> None:
        self.address = address
        self.replayed = False
        self.speed = speed
        self._waiting: queue.Queue[Arrived] = queue.Queue(_MOST_WAITING)
        self._stop = threading.Event()
        self._log_clock = 0.0
        self._run = self._reader()
        self._thread = threading.Thread(target=self._read, daemon=True, name="nmea")

    def __enter__(self) -> NmeaSource:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._stop.set()
        self._thread.join(2.0 * _TICK)

    def clock(self) -> float:
        """Seconds that never go back; of a replay the log's own."""
        if not self.replayed:
            return time.monotonic()
        return self._log_clock

    def arrived(self, wait: float) -> list[Arrived]:
        """What came since last asked; after at most so many seconds, perhaps nothing."""
        items = []
        try:
            items.append(self._waiting.get(timeout=wait))
            while len(items) < _MOST_WAITING:
                items.append(self._waiting.get_nowait())
        except queue.Empty:
            pass
        return items

    def _reader(self) -> Callable[[], None]:
        if self.address == "-":
            return self._read_input
        if self.address.startswith("tcp://"):
            host, _, port = self.address[6:].rstrip("/").rpartition(":")
            if not host or not port.isdigit() or not 0 < int(port) < 65536:
                raise InputError(
                    f"'{self.address}' names no host and port.",
                    where="--nmea",
                    remedy="Write it like tcp://192.168.1.20:9001.",
                )
            return lambda: self._keep_open(lambda: _tcp(host.strip("[]"), int(port), self._stop))
        if self.address.startswith("serial:"):
            port, _, rate = self.address[7:].rpartition("@")
            if not port:
                port, rate = rate, "115200"
            if not rate.isdigit():
                raise InputError(
                    f"'{rate}' is not a bit rate.",
                    where="--nmea",
                    remedy="Write it like serial:/dev/ttyUSB0@115200.",
                )
            _serial_package()
            return lambda: self._keep_open(lambda: _serial(port, int(rate), self._stop))
        path = Path(self.address)
        if not path.is_file():
            raise InputError(
                f"'{self.address}' is no stream: there is no such file.",
                where="--nmea",
                remedy=_REMEDY,
            )
        self.replayed = True
        return lambda: self._replay(path)

    def _read(self) -> None:
        try:
            self._run()
        except Exception as error:  # the thread must not die unseen
            self._put(Arrived(self.clock(), news=f"reading stopped: {error}"))
        self._put(Arrived(self.clock(), ended=True))

    def _put(self, item: Arrived) -> None:
        while not self._stop.is_set():
            try:
                self._waiting.put(item, timeout=_TICK)
                return
            except queue.Full:
                continue

    def _keep_open(self, opened: Callable[[], Iterator[bytes]]) -> None:
        """Read a link; open it again whenever it is lost."""
        tries = 0
        while not self._stop.is_set():
            try:
                for data in opened():
                    if tries or self._stop.is_set():
                        tries = 0
                        self._put(Arrived(self.clock(), news=""))
                    if data:
                        self._put(Arrived(self.clock(), data))
                reason = "closed by the other end"
            except OSError as error:
                reason = error.strerror or str(error) or type(error).__name__
            wait = _RETRIES[min(tries, len(_RETRIES) - 1)]
            tries += 1
            words = f"link lost ({reason}), trying again"
            self._put(Arrived(self.clock(), news=words))
            self._stop.wait(wait)

    def _read_input(self) -> None:
        read = getattr(sys.stdin.buffer, "read1", sys.stdin.buffer.read)
        while not self._stop.is_set():
            data = read(4096)
            if not data:
                return
            self._put(Arrived(self.clock(), data))

    def _replay(self, path: Path) -> None:
        """A log's lines at the pace of its own clock."""
        began = before = day = 0.0
        started = False
        with path.open("rb") as stream:
            for line in _lines(stream):
                if self._stop.is_set():
                    return
                match = _TIME.search(line)
                if match:
                    clock = 3600.0 * int(match[1]) + 60.0 * int(match[2]) + float(match[3])
                    if started and clock + day < before - 43_200.0:
                        day += 86_400.0
                    clock += day
                    if not started:
                        began, before, started = clock, clock, True
                    self._pace(clock - before)
                    before = max(before, clock)
                    self._log_clock = before - began
                self._put(Arrived(self._log_clock, line))

    def _pace(self, seconds: float) -> None:
        if self.speed <= 0.0 or seconds <= 0.0:
            return
        left = min(seconds, _LONGEST_GAP) / self.speed
        end = time.monotonic() + left
        start = self._log_clock
        while not self._stop.is_set():
            left = end - time.monotonic()
            if left <= 0.0:
                return
            time.sleep(min(left, 0.05))
            # a gap in the log is a gap on the screen: the position grows old meanwhile
            self._log_clock = start + max(0.0, seconds - max(0.0, left) * self.speed)


def log_day(path: Path) -> tuple[int, int, int] | None:
    """Year, month, day of the first RMC sentence of a log; None without one."""
    try:
        with path.open("rb") as stream:
            match = _DATE.search(stream.read(1 << 20))
    except OSError:
        return None
    if match is None:
        return None
    day, month, year = (int(part) for part in match.groups())
    return (2000 + year if year < 80 else 1900 + year), month, day


def _lines(stream: IO[bytes]) -> Iterator[bytes]:
    while line := stream.readline(65_536):
        yield line


def _tcp(host: str, port: int, stop: threading.Event) -> Iterator[bytes]:
    """Bytes of a connection; empty ones while nothing comes."""
    with socket.create_connection((host, port), timeout=3.0) as link:
        link.settimeout(_TICK)
        heard = time.monotonic()
        yield b""
        while not stop.is_set():
            try:
                data = link.recv(4096)
            except TimeoutError:
                if time.monotonic() - heard > _SILENT:
                    raise OSError("nothing came for 10 s") from None
                continue
            if not data:
                return
            heard = time.monotonic()
            yield data


def _serial_package() -> None:
    try:
        import serial  # noqa: F401
    except ImportError:
        raise InputError(
            "reading a serial port needs the pyserial package, which is not installed.",
            where="--nmea",
            remedy="Install it with: pip install 'asfound[serial]'",
        ) from None


def _serial(port: str, rate: int, stop: threading.Event) -> Iterator[bytes]:
    import serial

    try:
        link = serial.Serial(port, rate, timeout=_TICK)
    except (serial.SerialException, ValueError) as error:
        raise OSError(str(error)) from error
    with link:
        yield b""
        while not stop.is_set():
            try:
                data = link.read(max(1, min(link.in_waiting, 4096)))
            except serial.SerialException as error:
                raise OSError(str(error)) from error
            if data:
                yield data
