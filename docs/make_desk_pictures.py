"""Take the pictures of the desk's tutorial: run after the desk's pages change.

The browser tests that follow a job from raw file to release make them; here the chosen ones are
made small.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

HERE = Path(__file__).parent
PICTURES = {
    "way-confirm": "desk-confirm",
    "way-shot": "desk-shot",
    "way-take-back": "desk-take-back",
    "way-dig": "desk-dig",
    "way-ledger": "desk-ledger",
    "way-check": "desk-check",
    "phone-shot": "desk-phone",
}
WIDEST = 1100
COLOURS = 96


def main() -> int:
    """Run the tests, keep their pictures."""
    with tempfile.TemporaryDirectory() as place:
        tests = HERE.parent / "tests" / "browser" / "test_whole_way.py"
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", str(tests)],
            env={**os.environ, "ASFOUND_SCREENSHOTS": place},
            cwd=HERE.parent,
            check=False,
        )
        if done.returncode:
            return done.returncode
        for taken, name in PICTURES.items():
            with Image.open(Path(place) / f"{taken}.png") as picture:
                small = picture.convert("RGB")
            small.thumbnail((WIDEST, WIDEST), Image.Resampling.LANCZOS)
            small.quantize(COLOURS).save(HERE / "images" / f"{name}.png", optimize=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
