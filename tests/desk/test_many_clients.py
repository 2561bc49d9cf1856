"""Clients that post at once to a desk in its own process, repeat and hang up: none lost or double.

`bench/bench_desk_clients.py` does the same with fifty.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from desk_process import DeskProcess, kept, prepare
from many_clients import count_up, process_and_wait, run_clients

CLIENTS, POSTS = 8, 4


def test_the_same_file_added_by_many_at_once_is_one_upload(site):
    from concurrent.futures import ThreadPoolExecutor

    from crashing import HINTS, csv_of

    job = site.as_role("administrator").post(
        "/api/v1/jobs", json={"name": "Elm", "crs": "EPSG:6467"}
    ).json()["id"]  # fmt: skip
    browsers = [site.as_role("administrator") for _ in range(8)]

    def add(browser) -> int:
        files = {"file": ("day.csv", csv_of(1))}
        done = browser.post(f"/api/v1/jobs/{job}/uploads", files=files, data={"hints": HINTS})
        return done.status_code

    with ThreadPoolExecutor(8) as pool:
        codes = list(pool.map(add, browsers))
    assert sorted(codes) == [200] * 7 + [201]
    assert len(site.desk.store.entries(job, actions=("upload-added",))) == 1


def test_clients_that_post_repeat_and_hang_up_at_once_lose_none_and_double_none(
    database_url, tmp_path
):
    data = tmp_path / "data"
    database = database_url if database_url.startswith("postgresql") else ""
    secret, (job,) = prepare(data, database)
    server = DeskProcess(data, database)
    server.start()
    try:
        told = run_clients(server.port, secret, job, CLIENTS, POSTS)
        process_and_wait(server.port, secret, job)
        assert server.stop() == 0
        desk = kept(data, database)
        counts = count_up(desk, job, told, CLIENTS, POSTS)
        desk.store.close()
    finally:
        server.stop()
    assert set(counts.values()) == {CLIENTS * POSTS}
    assert sum(one.cut for one in told) > 0
    assert sum(one.repeated for one in told) > 0
    assert "Traceback" not in server.said()
    others = [line for line in server.said().splitlines() if " INFO " in line]
    assert all(" asfound." in line for line in others), "only the desk's own lines"
