"""The tutorial's and the README's commands are run as they stand."""

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TUTORIAL = ROOT / "docs" / "tutorial" / "first-job.md"
_BLOCK = re.compile(r"^```\n(.*?)^```", re.MULTILINE | re.DOTALL)


def _commands(text):
    return [line for block in _BLOCK.findall(text) for line in block.splitlines() if line.strip()]


@pytest.mark.slow
def test_the_tutorial_works_as_written(tmp_path):
    for line in _commands(TUTORIAL.read_text("utf-8")):
        command, _, comment = line.partition("  #")
        words = shlex.split(command)
        if words[0] == "asfound":
            done = subprocess.run(
                [sys.executable, "-m", "asfound.cli", *words[1:]],
                cwd=tmp_path,
                capture_output=True,
                text=True,
                timeout=120,
                check=False,
            )
            wanted = 4 if "stops" in comment else 0
            assert done.returncode == wanted, f"{line}\n{done.stdout}\n{done.stderr}"
        elif words[0] == "cp":
            shutil.copy(tmp_path / words[1], tmp_path / words[2])
        else:
            assert words[0] == "ls", line
    for name in ("report.pdf", "map.dxf", "map.gpkg", "shots.csv", "results.json"):
        assert (tmp_path / "lane" / "out" / name).stat().st_size > 1000


def test_every_link_between_pages_leads_somewhere():
    broken = []
    for page in [ROOT / "README.md", ROOT / "CONTRIBUTING.md", *(ROOT / "docs").rglob("*.md")]:
        for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text("utf-8")):
            if "://" not in target and not (page.parent / target).exists():
                broken.append(f"{page.relative_to(ROOT)} -> {target}")
    assert not broken
