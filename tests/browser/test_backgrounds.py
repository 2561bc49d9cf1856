"""Backgrounds under the plan: a GeoTIFF of the user's own, placed by its own georeference."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from asfound.model import Results

rasterio = pytest.importorskip("rasterio")
# Of the library that rasterio keeps its transforms with.
pytestmark = pytest.mark.filterwarnings("ignore::PendingDeprecationWarning")


def picture(
    path: Path, crs: str, west: float, north: float, pixel: float, *, tiled: bool = False
) -> None:
    """Left half red, right half blue, 128 pixels wide; written by GDAL."""
    from rasterio.transform import from_origin

    bands = np.zeros((3, 128, 128), np.uint8)
    bands[0, :, :64] = 220
    bands[2, :, 64:] = 220
    layout = {"tiled": True, "blockxsize": 64, "blockysize": 64, "compress": "deflate"}
    with rasterio.open(
        path, "w", driver="GTiff", width=128, height=128, count=3, dtype="uint8", crs=crs,
        transform=from_origin(west, north, pixel, pixel), photometric="RGB",
        **(layout if tiled else {}),
    ) as target:  # fmt: skip
        target.write(bands)
        if tiled:
            target.build_overviews([2, 4])


def colour_at(page: Page, east: float, north: float) -> list[int]:
    """What is seen at a place of the sheet, with the plan itself left out."""
    return list(
        page.evaluate(
            """([e, n]) => {
                const {sheet} = job.asfound;
                const at = sheet.map.getPixelFromCoordinate([e, n]);
                for (const canvas of document.querySelectorAll('#sheet canvas')) {
                    if (canvas.className === 'plan-canvas') continue;
                    const box = canvas.getBoundingClientRect();
                    const home = document.querySelector('#sheet').getBoundingClientRect();
                    const x = (at[0] + home.left - box.left) * canvas.width / box.width;
                    const y = (at[1] + home.top - box.top) * canvas.height / box.height;
                    const seen = canvas.getContext('2d').getImageData(x, y, 1, 1).data;
                    if (seen[3]) return [...seen];
                }
                return [0, 0, 0, 0];
            }""",
            [east, north],
        )
    )


def choose(page: Page, path: Path) -> None:
    page.locator("#tab-work").click()
    page.locator("#work-background > summary").click()
    page.set_input_files("#background-file", path)
    expect(page.locator("#work-background .form-said")).to_contain_text("on the sheet")


@pytest.mark.parametrize("tiled", [False, True])
def test_a_picture_in_the_jobs_own_crs_lies_where_it_says(
    open_page: Any, results: Results, tmp_path: Path, shoot: Any, tiled: bool
) -> None:
    foot = 1200 / 3937  # NIST SP 811: one US survey foot; the job's CRS counts in it
    line = results.lines[0]
    east, north = float(np.round(line.easting[0])), float(np.round(line.northing[0]))
    path = tmp_path / "photo.tif"
    # 64 m by 64 m about the place; the border between red and blue runs through it.
    picture(path, "EPSG:6467", (east - 32) / foot, (north + 32) / foot, 0.5 / foot, tiled=tiled)
    page = open_page()
    page.evaluate(f"() => job.asfound.sheet.goto({east}, {north}, 0.1)")
    choose(page, path)
    page.wait_for_timeout(600)
    for offset, wanted in ((-1.0, 0), (1.0, 2), (-20.0, 0), (20.0, 2)):
        seen = colour_at(page, east + offset, north + 3.0)
        assert int(np.argmax(seen[:3])) == wanted, (offset, seen)
        assert seen[3] == 255
    assert colour_at(page, east - 35.0, north)[3] == 0
    shoot(page, f"background-{'cog' if tiled else 'strips'}")
    page.get_by_role("button", name="No background").click()
    page.wait_for_timeout(200)
    assert colour_at(page, east - 1.0, north + 3.0)[3] == 0


def test_a_picture_in_a_utm_zone_is_brought_to_the_jobs_frame(
    open_page: Any, results: Results, tmp_path: Path
) -> None:
    """PROJ, through pyproj, says where the place lies in UTM zone 14 north."""
    import pyproj

    line = results.lines[0]
    east, north = float(line.easting[0]), float(line.northing[0])
    foot = 1200 / 3937
    to_utm = pyproj.Transformer.from_crs("EPSG:6467", "EPSG:32614", always_xy=True)
    x, y = to_utm.transform(east / foot, north / foot)
    path = tmp_path / "utm.tif"
    picture(path, "EPSG:32614", x - 32, y + 32, 0.5)
    page = open_page()
    page.evaluate(f"() => job.asfound.sheet.goto({east!r}, {north!r}, 0.1)")
    choose(page, path)
    page.wait_for_timeout(1000)
    assert int(np.argmax(colour_at(page, east - 4.0, north)[:3])) == 0
    assert int(np.argmax(colour_at(page, east + 4.0, north)[:3])) == 2


def test_a_picture_in_a_frame_the_page_does_not_know_is_refused_with_a_remedy(
    open_page: Any, tmp_path: Path
) -> None:
    path = tmp_path / "far.tif"
    picture(path, "EPSG:2056", 2_600_000.0, 1_200_000.0, 0.5)
    page = open_page()
    page.locator("#tab-work").click()
    page.locator("#work-background > summary").click()
    page.set_input_files("#background-file", path)
    said = page.locator("#work-background .form-said")
    expect(said).to_contain_text("EPSG:2056")
    expect(said).to_contain_text("gdalwarp")


def test_a_file_that_is_no_picture_is_refused_in_words(open_page: Any, tmp_path: Path) -> None:
    path = tmp_path / "words.tif"
    path.write_bytes(b"no picture at all")
    page = open_page()
    page.locator("#tab-work").click()
    page.locator("#work-background > summary").click()
    page.set_input_files("#background-file", path)
    expect(page.locator("#work-background .form-said")).to_contain_text("can't be read")


def pmtiles(path: Path, colour: tuple[int, int, int]) -> None:
    """One picture of the whole world, in the layout of the PMTiles specification, version 3."""
    import struct
    import zlib

    def chunk(kind: bytes, data: bytes) -> bytes:
        check = zlib.crc32(kind + data)
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", check)

    # A PNG (ISO/IEC 15948) of 256 by 256 pixels, 8 bits, RGB, no filter.
    tile = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">2I5B", 256, 256, 8, 2, 0, 0, 0))
    tile += chunk(b"IDAT", zlib.compress((b"\0" + bytes(colour) * 256) * 256))
    tile += chunk(b"IEND", b"")

    def varint(value: int) -> bytes:
        out = b""
        while value > 0x7F:
            out += bytes([value & 0x7F | 0x80])
            value >>= 7
        return out + bytes([value])

    # One entry: tile id 0, run of 1, its length, offset 0 (stored plus one).
    directory = b"".join(varint(v) for v in (1, 0, 1, len(tile), 1))
    meta = b"{}"
    start = 127
    header = b"PMTiles" + bytes([3])
    header += struct.pack(
        "<8Q", start, len(directory), start + len(directory), len(meta),
        0, 0, start + len(directory) + len(meta), len(tile),
    )  # fmt: skip
    header += struct.pack("<3Q", 1, 1, 1)
    header += bytes([1, 1, 1, 2, 0, 0])  # clustered, no compression twice, PNG, zoom 0 to 0
    header += struct.pack("<4i", -1_800_000_000, -850_000_000, 1_800_000_000, 850_000_000)
    header += struct.pack("<B2i", 0, 0, 0)
    assert len(header) == start
    path.write_bytes(header + directory + meta + tile)


def test_pictures_in_a_pmtiles_file_are_drawn(
    open_page: Any, results: Results, tmp_path: Path
) -> None:
    path = tmp_path / "world.pmtiles"
    pmtiles(path, (10, 200, 30))
    line = results.lines[0]
    east, north = float(line.easting[0]), float(line.northing[0])
    page = open_page()
    page.evaluate(f"() => job.asfound.sheet.goto({east!r}, {north!r}, 0.1)")
    choose(page, path)
    page.wait_for_timeout(1000)
    assert int(np.argmax(colour_at(page, east, north)[:3])) == 1
