"""What the page on ledgers and releases says is so: its commands run, its actions are all."""

import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

from asfound.store import new_key
from asfound.store.ledger import FIRST_PREVIOUS, make_entry
from asfound.store.release import build_release
from asfound.store.release_check import unpack_release

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs/reference/ledger-and-release.md").read_text("utf-8")


def test_the_python_on_the_page_finds_size_and_root_of_a_release_s_ledger(tmp_path):
    (code,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    entries = []
    for number in range(1, 12):
        previous = entries[-1].hash if entries else FIRST_PREVIOUS
        moment = datetime(2026, 11, 25, 16, number, tzinfo=UTC)
        body = {"n": number, "text": "line\u2028end"}
        entries.append(make_entry("elm", number, moment, "ana", "x", body, previous))
    built = build_release(
        tmp_path / "r.zip",
        name="A",
        title="Elm",
        version="0",
        made_with={},
        inputs={},
        outputs={},
        entries=entries,
        key=new_key(),
    )
    unpack_release(built.path, tmp_path / "u")
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path / "u", capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["11", built.head.root]

    ledger = tmp_path / "u" / "ledger.jsonl"
    ledger.write_bytes(ledger.read_bytes().replace(b'"n":5', b'"n":6'))
    changed = subprocess.run([sys.executable, "-c", code], cwd=tmp_path / "u", capture_output=True)
    assert changed.returncode != 0


def test_every_action_that_the_program_writes_or_folds_is_on_the_page():
    found = set()
    for place in ("folder/ledger.py", "desk/state.py", "store/release.py"):
        text = (ROOT / "src/asfound" / place).read_text("utf-8")
        found |= set(
            re.findall(
                r'"((?:job|ledger|settings|upload|mapping|shots|batch|decision|dig|stakeout|file)'
                r'-[a-z]+|processed|released|decision)"',
                text,
            )
        )
    assert len(found) > 12
    rows = "\n".join(line for line in PAGE.splitlines() if line.startswith("| `"))
    for action in found:
        assert f"`{action}`" in rows, action
