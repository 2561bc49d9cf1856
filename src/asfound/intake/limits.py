"""Sizes beyond which a file is refused or a row reported, so that nothing is read unbounded."""

from __future__ import annotations

MEBIBYTE = 1024 * 1024

BLOCK_BYTES = 4 * MEBIBYTE
"""Delimited text is read in blocks of about this size."""
ROW_BYTES = MEBIBYTE
"""A longer row is reported, not read."""
FILE_BYTES = 16 * 1024 * MEBIBYTE
"""A larger file is refused."""
DOCUMENT_BYTES = 512 * MEBIBYTE
"""A larger GeoJSON or KML document is refused: they are read whole."""
GEOJSON_CHECKED_BYTES = 128 * MEBIBYTE
"""In a larger GeoJSON document entries that are no features are not looked for."""
ARCHIVE_BYTES = 2 * 1024 * MEBIBYTE
"""An archive (zip, KMZ) that expands to more is refused."""
ARCHIVE_RATIO = 200
"""An archive member that expands by more than this factor is refused (above a mebibyte)."""
ARCHIVE_MEMBERS = 1000
"""An archive with more members is refused."""
XML_DEPTH = 64
"""A KML document nested deeper is refused."""
COLUMNS = 1000
"""A table with more columns is refused."""
SAMPLE_BYTES = MEBIBYTE
"""How much of a file a guess looks at."""
SAMPLE_ROWS = 2000
"""How many rows a guess looks at."""
REMARKS_A_KIND = 200
"""Remarks of one kind on accepted rows are listed up to this number; one more sums up the rest."""
