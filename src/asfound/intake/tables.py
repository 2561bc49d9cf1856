"""Any table of an upload, whatever its format, as blocks of cells."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from asfound.errors import SettingsError
from asfound.intake.cell_reader import Cells
from asfound.intake.delimited import DelimitedTable
from asfound.intake.features import FeatureTable
from asfound.intake.gis import read_features, shapefile_encoding
from asfound.intake.kml import read_kml
from asfound.intake.mapping import Mapping
from asfound.intake.raw import Data
from asfound.intake.reports import Reporter


class Table(Protocol):
    """Blocks of cells, and counts that are complete once all blocks were read.

    Attributes
    ----------
    located : bool
        Positions come from geometries, not from columns.
    rows, comment_lines, blank_lines, expected_rows : int
    """

    located: bool
    expected_rows: int

    @property
    def rows(self) -> int: ...

    @property
    def comment_lines(self) -> int: ...

    @property
    def blank_lines(self) -> int: ...

    def blocks(self) -> Iterator[Cells]: ...


def open_table(data: Data, name: str, mapping: Mapping, reporter: Reporter) -> Table:
    """The table of an upload.

    Raises
    ------
    SettingsError
        If the mapping's format holds no table.
    """
    if mapping.format == "delimited":
        return DelimitedTable(data, name, mapping, reporter)
    if mapping.format == "kml":
        return FeatureTable(read_kml(data, name), mapping, name)
    if mapping.format in ("geojson", "geopackage", "shapefile"):
        features = read_features(
            data,
            name,
            mapping.format,
            layer=mapping.layer,
            encoding=shapefile_encoding(mapping),
        )
        return FeatureTable(features, mapping, name)
    raise SettingsError(
        f"a file of format '{mapping.format}' can't be read as a table.",
        where=f"{name}, mapping, format",
        remedy="Correct the format.",
    )
