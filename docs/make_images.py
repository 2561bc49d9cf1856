"""Draw the pictures of the README from the demonstration job: run after the report changes."""

from __future__ import annotations

import tempfile
from pathlib import Path

import typst

from asfound.deliver import sweep_svg
from asfound.deliver.delivery import prepare
from asfound.deliver.report import report_pages
from asfound.folder import run_job
from asfound.folder.demonstration import build_demo

IMAGES = Path(__file__).parent / "images"
_MAP_PAGE = 4


def main() -> None:
    IMAGES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        results = run_job(build_demo(Path(place) / "street", 7).path)
    pages = report_pages(prepare(results), resolution=110.0)
    (IMAGES / "map-sheet.png").write_bytes(pages[_MAP_PAGE - 1])
    page = (
        "#set page(width: 180mm, height: auto, margin: 3mm)\n"
        '#image(bytes(sys.inputs.figure), format: "svg", width: 174mm)'
    )
    png = typst.compile(
        page.encode(),
        format="png",
        ppi=120.0,
        ignore_system_fonts=True,
        sys_inputs={"figure": sweep_svg(results, 0).decode()},
    )
    (IMAGES / "sweep.png").write_bytes(png[0] if isinstance(png, list) else png)


if __name__ == "__main__":
    main()
