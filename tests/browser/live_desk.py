"""A desk with its server and worker processes, and a browser page that fails on any error."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, BrowserContext, Page, expect

from asfound.desk.build import FRONTEND

LONG = 90_000  # for a processing, on a busy machine [ms]
AXE = FRONTEND / "node_modules" / "axe-core" / "axe.min.js"


@contextmanager
def running_desk(folder: Path) -> Iterator[tuple[str, str]]:
    """Address of a new, empty desk and the code that its console says."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    log = folder / "console.txt"
    with log.open("w") as stream:
        desk = subprocess.Popen(
            [sys.executable, "-m", "asfound.cli", "desk",
             "--data", str(folder / "data"), "--port", str(port)],
            stdout=stream,
            stderr=subprocess.STDOUT,
            env={**os.environ, "OMP_NUM_THREADS": "1"},
        )  # fmt: skip
    try:
        deadline = time.monotonic() + 90
        while "The desk is at" not in log.read_text():
            assert desk.poll() is None, log.read_text()
            assert time.monotonic() < deadline, log.read_text()
            time.sleep(0.1)
        code = re.search(r"([A-Z2-9]{4}(?:-[A-Z2-9]{4}){3})", log.read_text())
        assert code
        yield f"http://127.0.0.1:{port}", code[1]
    finally:
        desk.send_signal(signal.SIGINT)
        try:
            desk.wait(20)
        except subprocess.TimeoutExpired:
            desk.kill()
            desk.wait()


def watched_page(context: BrowserContext, troubles: list[str]) -> Page:
    """A page whose errors, and breaches of the security policy, are kept."""
    page = context.new_page()
    page.set_default_timeout(20_000)
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on(
        "console",
        lambda message: troubles.append(message.text) if message.type == "error" else None,
    )
    return page


def screen(browser: Browser, size: tuple[int, int], **more: Any) -> BrowserContext:
    """A browser's window of this size."""
    width, height = size
    return browser.new_context(
        viewport={"width": width, "height": height}, reduced_motion="reduce", **more
    )


def grave_faults(page: Page) -> list[Any]:
    """What axe-core calls serious or critical (WCAG 2.2 A and AA, and its best practices)."""
    page.evaluate(AXE.read_text())
    found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
    return [
        (one["id"], [(node["target"], node["html"][:120]) for node in one["nodes"]][:4])
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
    ]


def small_targets(page: Page) -> list[Any]:
    """Buttons, links of navigations and fields that a finger would miss: under 44 px high."""
    return list(
        page.evaluate(
            """() => [...document.querySelectorAll(
                'button, .button, nav a, input:not([type=hidden], [type=checkbox], [type=radio]), '
                + 'select, summary, label.check')]
              .filter(one => one.checkVisibility() && !one.matches('.said'))
              .map(one => [one, one.getBoundingClientRect()])
              .filter(([, box]) => box.width > 1 && box.height < 43.5)
              .map(([one, box]) => [one.outerHTML.slice(0, 90), box.height])"""
        )
    )


def sideways(page: Page) -> float:
    """By how many pixels a page is wider than its window."""
    return float(
        page.evaluate(
            "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
    )


def held(page: Page, script: str) -> Any:
    """What the job page's own record says: `asfound` holds `state` and `sheet`."""
    return page.evaluate(f"() => {{ const {{state, sheet}} = job.asfound; {script} }}")


def drop_file(page: Page, target: str, name: str, data: str) -> None:
    """Drop a file on an element, as a hand with a mouse would."""
    page.evaluate(
        """([target, name, text]) => {
            const data = new DataTransfer();
            data.items.add(new File([text], name));
            const at = target ? document.querySelector(target) : window;
            for (const kind of ['dragenter', 'dragover', 'drop'])
                at.dispatchEvent(new DragEvent(kind,
                    {dataTransfer: data, bubbles: true, cancelable: true}));
        }""",
        [target, name, data],
    )


def processed(page: Page) -> None:
    """Wait until the sheet shows, without a reload, all that is in the ledger."""
    deadline = time.monotonic() + LONG / 1000
    while not page.evaluate(
        """async () => {
            const job = document.querySelector('#job');
            const told = await (await fetch(job.dataset.api)).json();
            return told.up_to_date && told.task.state === 'done'
                && job.dataset.shown === String(told.task.id);
        }"""
    ):
        assert time.monotonic() < deadline, page.locator("#processing").inner_text()
        time.sleep(0.2)


def said(page: Page, words: str) -> None:
    """The page's main part says this."""
    expect(page.locator("main")).to_contain_text(words)
