"""A desk for the tests: its application, browsers of each role, a job that was processed."""

from __future__ import annotations

import re
import shutil
import warnings
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from asfound.desk.app import create_app
from asfound.desk.config import DeskConfig
from asfound.desk.context import Desk, open_desk
from asfound.desk.demo import add_demo
from asfound.desk.worker import run_waiting
from asfound.store import ROLES

with warnings.catch_warnings():
    # The test client of this version wants another package than httpx, which does as well.
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

PASSWORD = "four words that don't belong"
CODE = "TEST-CODE"


@dataclass
class Site:
    """A desk with its application."""

    desk: Desk
    job: str = ""

    def __post_init__(self) -> None:
        self.app = create_app(self.desk.config, self.desk)

    def browser(self) -> TestClient:
        """A browser that nobody is logged in with; a fault of the desk is an answer, not raised."""
        return TestClient(self.app, raise_server_exceptions=False, follow_redirects=False)

    def user(self, role: str) -> int:
        """The id of a user of a role, who is made when first asked for."""
        for one in self.desk.store.list_users():
            if one.name == f"a {role}":
                return one.id
        return self.desk.store.create_user(f"a {role}", PASSWORD, role).id

    def as_role(self, role: str) -> TestClient:
        """A browser that someone of a role is logged in with, sending the right CSRF header."""
        browser = self.browser()
        secret, session = self.desk.store.open_web_session(self.user(role))
        browser.cookies.set("asfound", secret)
        browser.headers["X-CSRF-Token"] = session.csrf
        return browser

    def work(self) -> None:
        """Do all tasks that wait."""
        run_waiting(self.desk)


def csrf_in(page: str) -> str:
    """The token of the first form of a page."""
    found = re.search(r'name="csrf" value="([^"]+)"', page)
    assert found, page
    return found[1]


@pytest.fixture(scope="session")
def read_csrf():
    """Reads the token of a page's form."""
    return csrf_in


@pytest.fixture
def config(tmp_path: Path) -> DeskConfig:
    return DeskConfig(tmp_path / "data", first_run_code=CODE)


@pytest.fixture
def site(config: DeskConfig) -> Site:
    """An empty desk."""
    made = Site(open_desk(config))
    yield made
    made.desk.store.close()


@pytest.fixture(scope="session")
def demo_data(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A desk's folder with the demonstration job, processed; and the job's id. Copy, don't use."""
    folder = tmp_path_factory.mktemp("demo-desk") / "data"
    desk = open_desk(DeskConfig(folder))
    for role in ROLES:
        desk.store.create_user(f"a {role}", PASSWORD, role)
    made = add_demo(desk)
    assert run_waiting(desk) == 1
    desk.store.close()
    return folder, made.job


@pytest.fixture
def demo(demo_data: tuple[Path, str], config: DeskConfig) -> Site:
    """A desk with the demonstration job, processed."""
    folder, job = demo_data
    shutil.copytree(folder, config.data, symlinks=True)
    made = Site(open_desk(replace(config)), job)
    yield made
    made.desk.store.close()


@pytest.fixture(scope="session")
def demo_to_read(demo_data: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The same for tests that change nothing."""
    folder, job = demo_data
    place = tmp_path_factory.mktemp("read") / "data"
    shutil.copytree(folder, place, symlinks=True)
    made = Site(open_desk(DeskConfig(place, first_run_code=CODE)), job)
    yield made
    made.desk.store.close()


@pytest.fixture(scope="session")
def site_type() -> type[Site]:
    """To make a site over another desk."""
    return Site


def small_file() -> bytes:
    """Twelve shots along a gas main."""
    head = "Point,Time (UTC),Latitude,Longitude,Ellipsoidal height (m),Fix,Utility,Depth (m)"
    rows = [
        f"{k},2026-11-17T14:{k:02d}:20Z,{39.272 + 2e-5 * k:.6f},-98.040451,404.03,RTK fixed,gas,1.1"
        for k in range(1, 13)
    ]
    return "\r\n".join([head, *rows, ""]).encode()


@pytest.fixture(scope="session")
def small_data(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A desk's folder with a job of twelve shots, processed. Copy, don't use."""
    from asfound.desk import actions
    from asfound.desk.guard import Identity
    from asfound.desk.guessing import guess
    from asfound.intake import mapping_to_toml

    folder = tmp_path_factory.mktemp("small-desk") / "data"
    desk = open_desk(DeskConfig(folder))
    who = Identity("Ana", "administrator")
    job = actions.create_job(desk, who, actions.new_settings("Elm Street", "EPSG:6467")).job
    kept = desk.blobs.keep([small_file()])
    hints = {"frame": "ITRF2020", "receiver": "EL-1", "antenna_height": "2 m"}
    found = guess(desk, job, kept.sha256, "day1.csv", hints)
    actions.add_upload(desk, who, job, kept.sha256, "day1.csv", mapping_to_toml(found.mapping))
    assert run_waiting(desk) == 1
    assert desk.state(job).up_to_date
    desk.store.close()
    return folder, job


@pytest.fixture
def small(small_data: tuple[Path, str], config: DeskConfig) -> Site:
    """A desk with a job of twelve shots, processed."""
    folder, job = small_data
    shutil.copytree(folder, config.data, symlinks=True)
    made = Site(open_desk(config), job)
    yield made
    made.desk.store.close()
