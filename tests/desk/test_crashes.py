"""kill -9 of server and worker under load: nothing acknowledged is lost, broken work is finished.

`bench/bench_desk_crash.py` does the same at a hundred moments.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from crashing import run


def test_nothing_acknowledged_is_lost_and_broken_work_is_finished_when_processes_are_killed(
    tmp_path,
):
    counted = run(tmp_path, 6, jobs=1)
    assert sum(counted.kills.values()) == 6
    assert min(counted.kills.values()) >= 1
    assert counted.posts > 10
    assert counted.uploads > 1
    assert counted.decisions > 1
    assert counted.processed >= 1
    assert counted.taken_up >= 1
