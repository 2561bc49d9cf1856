"""How a desk is set up."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

MEGABYTE = 1_000_000


@dataclass(frozen=True)
class DeskConfig:
    """Settings of a desk.

    Parameters
    ----------
    data : Path
        Folder of the desk: `blobs/` (raw files), `jobs/` (derived), `releases/`, `grids/`,
        `keys/`, and the database where no other is named.
    database : str
        URL of a PostgreSQL or SQLite database; empty: `asfound.sqlite` in `data`.
    https : bool
        The desk is reached over https: cookies are marked secure, browsers are told to stay.
    public_address : str
        What strangers reach the desk by, such as ``https://desk.example``; empty: as asked.
    trusted_proxies : tuple of str
        Addresses whose ``X-Forwarded-For`` is believed.
    hosts : tuple of str
        Names the desk answers to; empty: any.
    map_hosts : tuple of str
        Hosts that the map may fetch background tiles from, such as ``https://tiles.example``;
        none by default: nothing is fetched from elsewhere.
    most_upload : int
        Bytes of one uploaded file.
    most_body : int
        Bytes of any other request.
    login_lasts, login_idle : timedelta
        After which a browser is logged out, at all and when nothing is done.
    login_tries, login_window : int, timedelta
        Failed logins allowed for one name from one address in that time; ten times as many for
        a name from anywhere and for an address with any name.
    first_run_code : str
        What has to be typed to make the first administrator; empty: no one can.
    auto_process : bool
        Process a job after every change.
    """

    data: Path
    database: str = ""
    https: bool = False
    public_address: str = ""
    trusted_proxies: tuple[str, ...] = ()
    hosts: tuple[str, ...] = ()
    map_hosts: tuple[str, ...] = ()
    most_upload: int = 200 * MEGABYTE
    most_body: int = 4 * MEGABYTE
    login_lasts: timedelta = timedelta(hours=12)
    login_idle: timedelta = timedelta(hours=4)
    login_tries: int = 5
    login_window: timedelta = timedelta(minutes=15)
    first_run_code: str = ""
    auto_process: bool = True

    @property
    def blobs(self) -> Path:
        return self.data / "blobs"

    @property
    def jobs(self) -> Path:
        return self.data / "jobs"

    @property
    def releases(self) -> Path:
        return self.data / "releases"

    @property
    def grids(self) -> Path:
        return self.data / "grids"

    @property
    def signing_key(self) -> Path:
        return self.data / "keys" / "release.pem"

    @property
    def database_address(self) -> str | Path:
        """Where the database is."""
        return self.database or self.data / "asfound.sqlite"
