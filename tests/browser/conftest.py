"""A browser, and the job page of the demonstration job with two digs and an exposure in it."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from page_server import DESK, PageServer
from playwright.sync_api import Browser, Page, sync_playwright

from asfound.desk.details import find_shot, shot_detail
from asfound.desk.view import build_view
from asfound.errors import InputError
from asfound.folder import raw_row, run_job
from asfound.folder.demonstration import build_demo
from asfound.folder.layout import JobFolder
from asfound.job import process
from asfound.model import Exposure, Plan, Post, RecordLine, Results, Trench, Utility

CHROMIUM = os.environ.get("ASFOUND_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SIZES = {"desk": (1440, 900), "phone": (390, 844)}


def with_digs(results: Results) -> Results:
    """The same job with a trench across its lines, a post beside them and an exposure."""
    line = results.lines[0]
    middle = len(line.easting) // 2
    east, north = float(line.easting[middle]), float(line.northing[middle])
    level = np.full(2, np.nan)
    trench = Trench(
        "T1",
        np.array([east - 6.0, east + 6.0]),
        np.array([north - 4.0, north + 4.0]),
        np.full(2, 0.6),
        np.full(2, 1.2),
        level,
    )
    post = Post("P1", east + 3.0, north + 5.0, 0.4, 1.0)
    seen = Exposure("X1", line.name, float(line.easting[3]), float(line.northing[3]), 0.9)
    record = RecordLine(
        "old main",
        Utility.WATER,
        np.array([east - 30.0, east + 30.0]),
        np.array([north + 6.0, north + 12.0]),
        np.full(2, np.nan),
        basis="a drawing of 1961",
    )
    plan = Plan(digs=(trench, post), exposures=(seen,), records=(record,))
    return process(results.intake, results.settings, plan)


@pytest.fixture(scope="session")
def job(tmp_path_factory: pytest.TempPathFactory) -> tuple[JobFolder, Results]:
    folder = build_demo(tmp_path_factory.mktemp("page") / "demo", 1)
    return folder, with_digs(run_job(folder.path))


@pytest.fixture(scope="session")
def results(job: tuple[JobFolder, Results]) -> Results:
    return job[1]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium for a file of tests.

    Not for a whole run: while Playwright is open its event loop runs in this thread, and tests
    elsewhere that start one of their own would fail.
    """
    if not Path(CHROMIUM).exists():
        pytest.skip("no Chromium here; set ASFOUND_CHROMIUM")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def view_folder(results: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("view")
    build_view(results, folder)
    return folder


@pytest.fixture
def server(job: tuple[JobFolder, Results], view_folder: Path) -> Iterator[PageServer]:
    if not (DESK / "static" / "bundle" / "job.js").exists():
        pytest.skip("the page was not built; run make frontend")
    folder, results = job

    def shot(name: str) -> dict[str, Any] | None:
        try:
            index = find_shot(results, name)
        except InputError:
            return None
        tag, _, _ = name.rpartition("-")
        raw = raw_row(folder, tag, int(results.intake.shots.line_number[index]))
        return shot_detail(results, index, raw)

    page_server = PageServer(view_folder, shot, results.settings.name)
    stop = page_server.start()
    yield page_server
    stop()


@pytest.fixture
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Keeps a screenshot in the folder that ASFOUND_SCREENSHOTS names."""
    wanted = os.environ.get("ASFOUND_SCREENSHOTS")
    folder = Path(wanted) if wanted else tmp_path_factory.mktemp("screenshots")
    folder.mkdir(parents=True, exist_ok=True)

    def keep(page: Page, name: str) -> Path:
        path = folder / f"{name}.png"
        page.screenshot(path=path)
        return path

    return keep


@pytest.fixture
def open_page(browser: Browser, server: PageServer) -> Iterator[Any]:
    """Opens the job page at a size and scheme; any error on the page fails the test."""
    contexts, troubles = [], []

    def start(
        size: str = "desk", scheme: str = "light", query: str = "", fragment: str = ""
    ) -> Page:
        width, height = SIZES[size]
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme=scheme,
            has_touch=size == "phone",
            reduced_motion="reduce",
        )
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.on(
            "console",
            lambda message: troubles.append(message.text) if message.type == "error" else None,
        )
        page.goto(f"{server.address}/jobs/demo{query}{fragment}")
        page.wait_for_selector("#job[data-ready]")
        return page

    yield start
    for context in contexts:
        context.close()
    expected = ("Failed to load resource",)
    assert [t for t in troubles if not t.startswith(expected)] == []
