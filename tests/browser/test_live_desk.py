"""The job page on the desk itself: its own server, worker, database and security policy."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from page_server import DESK
from playwright.sync_api import Browser, Page, expect

pytestmark = pytest.mark.slow

LONG = 60_000  # for a processing, on a busy machine [ms]


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    """Address of the demonstration job on a running desk, and the password of its user."""
    if not (DESK / "static" / "bundle" / "job.js").exists():
        pytest.skip("the page was not built; run make frontend")
    folder = tmp_path_factory.mktemp("live")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    log = folder / "log.txt"
    with log.open("w") as stream:
        desk = subprocess.Popen(
            [sys.executable, "-m", "asfound.cli", "desk", "--data", str(folder / "data"),
             "--port", str(port), "--demo"],
            stdout=stream, stderr=subprocess.STDOUT,
        )  # fmt: skip
    try:
        deadline = time.monotonic() + 90
        while "The desk is at" not in log.read_text():
            assert desk.poll() is None, log.read_text()
            assert time.monotonic() < deadline, log.read_text()
            time.sleep(0.2)
        said = log.read_text()
        password = re.search(r"with the password (\S+)", said)
        address = re.search(r"(/jobs/\S+)", said)
        assert password
        assert address
        yield f"http://127.0.0.1:{port}{address[1]}", password[1]
    finally:
        desk.send_signal(signal.SIGINT)
        try:
            desk.wait(20)
        except subprocess.TimeoutExpired:
            desk.kill()
            desk.wait()


@pytest.fixture
def page(browser: Browser, live: tuple[str, str]) -> Iterator[Page]:
    address, password = live
    context = browser.new_context(viewport={"width": 1440, "height": 900}, reduced_motion="reduce")
    page = context.new_page()
    troubles: list[str] = []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    # Chromium tells of every breach of the security policy on the console.
    page.on(
        "console",
        lambda message: troubles.append(message.text) if message.type == "error" else None,
    )
    page.goto(address)
    page.locator("[name=name]").fill("demo")
    page.locator("[name=password]").fill(password)
    page.locator("main button[type=submit]").click()
    page.wait_for_selector("#job[data-ready=true]", timeout=LONG)
    yield page
    context.close()
    # A job that was never processed has no view yet: the page asks, and is told so.
    expected = "Failed to load resource: the server responded with a status of 404"
    assert [one for one in troubles if not one.startswith(expected)] == []


def held(page: Page, script: str) -> Any:
    return page.evaluate(f"() => {{ const {{state, sheet}} = job.asfound; {script} }}")


def test_a_decision_changes_the_sheet_without_reload_and_stands_in_the_ledger(
    page: Page, live: tuple[str, str], shoot: Any
) -> None:
    page.evaluate("() => { window.kept = true; }")
    name = held(
        page,
        """const index = [...state.shots.verdict].indexOf(1);
        state.choose({kind: 'shot', index});
        return state.nameOf({kind: 'shot', index});""",
    )
    expect(page.locator("#detail .raw summary")).to_be_visible()
    page.get_by_role("button", name="Accept …").click()
    form = page.locator("#work-decide form").filter(has=page.locator("[name=why]")).first
    form.locator("[name=why]").fill("seen twice <b>& marked</b>")
    form.get_by_role("button", name="Enter in the ledger").click()
    expect(form.locator(".form-said")).to_contain_text("Entered.")
    expect(page.locator("#processing")).to_contain_text("new results", timeout=LONG)
    expect(page.locator("#detail .decided")).to_contain_text("seen twice <b>& marked</b>")
    assert page.evaluate("() => window.kept === true")
    assert held(page, "return state.shots.verdict[state.chosen.index]") == 0
    assert held(page, "return state.nameOf(state.chosen)") == name
    shoot(page, "live-decided")
    page.goto(f"{live[0]}/ledger")
    expect(page.locator("main")).to_contain_text("accept (1 shots): seen twice <b>& marked</b>")


def test_a_dig_drawn_on_the_desk_comes_back_with_its_clearances(page: Page, shoot: Any) -> None:
    if page.get_by_role("button", name="Show metres").is_visible():
        page.get_by_role("button", name="Show metres").click()
    place = held(
        page,
        """const p = sheet.plan.lines[0].axis.places; const k = Math.floor(p.length / 4) * 2;
        const [e, n] = state.view.origin; return [p[k] + e, p[k + 1] + n];""",
    )
    page.get_by_role("button", name="Draw a dig").click()
    page.locator("#work-post > summary").click()
    form = page.locator("#work-post form")
    form.locator("[name=name]").fill("pole 7")
    form.locator("[name=points]").fill(f"{place[0]:.3f}, {place[1]:.3f}")
    form.locator("[name=diameter]").fill("0.4")
    form.locator("[name=depth]").fill("1.5")
    form.get_by_role("button", name="Enter this post").click()
    expect(form.locator(".form-said")).to_contain_text("Entered.")
    expect(page.locator("#processing")).to_contain_text("new results", timeout=LONG)
    page.locator("#tab-digs").click()
    page.get_by_role("button", name="post pole 7").click()
    detail = page.locator("#detail")
    expect(detail).to_contain_text("Chance of contact")
    expect(detail).to_contain_text("does not give leave to dig")
    shoot(page, "live-dig")


def test_a_receivers_file_is_asked_about_before_it_is_added(page: Page, tmp_path: Path) -> None:
    path = tmp_path / "more.csv"
    rows = "\n".join(f"{k},39.27{k:04d},-98.0394,{1 + k / 50:.2f}" for k in range(20))
    path.write_text(f"Point,Latitude,Longitude,Depth (m)\n{rows}\n")
    page.locator("#tab-work").click()
    page.locator("#work-upload > summary").click()
    page.set_input_files("#upload-files", path)
    upload = page.locator(".upload")
    expect(upload.locator("h4")).to_have_text("more.csv")
    expect(upload).to_contain_text("Answer these first")
    upload.get_by_label("Frame of the positions").fill("NAD83(2011)")
    upload.get_by_role("button", name="Read it again").first.click()
    expect(upload).not_to_contain_text("not declared anywhere")
    expect(upload.locator("table")).to_contain_text("depth to the centre of the current")
