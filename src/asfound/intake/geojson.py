"""What GDAL leaves out of a GeoJSON document without a word: entries that are no features."""

from __future__ import annotations

import json

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from asfound.errors import InputError
from asfound.intake.limits import GEOJSON_CHECKED_BYTES
from asfound.intake.raw import Data, raw_size, whole

NO_FEATURE = "the entry is no GeoJSON feature."


def no_features(data: Data, name: str) -> npt.NDArray[np.bool_] | None:
    """(n,) bool: which entries of a feature collection are no features.

    None for other documents, and for those too large to be held twice.

    Raises
    ------
    InputError
        If the document is no JSON.
    """
    if raw_size(data, where=name) > GEOJSON_CHECKED_BYTES:
        return None
    try:
        text = whole(data, GEOJSON_CHECKED_BYTES, where=name).decode("utf-8-sig")
        document = json.loads(text)
    except RecursionError as error:
        raise _not_json(name, "it is nested too deeply") from error
    except UnicodeDecodeError as error:
        raise _not_json(name, f"byte {error.start + 1} is not UTF-8 text") from error
    except json.JSONDecodeError as error:
        if error.msg == "Extra data":
            return None  # features one after the other, which GDAL may know how to read
        place = f"line {error.lineno}, character {error.colno}"
        raise _not_json(name, f"{error.msg.lower()} ({place})") from error
    entries = document.get("features") if isinstance(document, dict) else None
    if not isinstance(entries, list):
        return None
    return np.array(
        [not isinstance(entry, dict) or entry.get("type") != "Feature" for entry in entries], bool
    )


def with_left_out(table: pa.Table, bad: npt.NDArray[np.bool_], name: str) -> pa.Table:
    """The table with an empty row for each entry that is no feature, so that none is lost.

    Raises
    ------
    InputError
        If the entries left out can't be told.
    """
    if table.num_rows == len(bad):
        return table
    if table.num_rows != int((~bad).sum()):
        raise InputError(
            f"the file has {len(bad)} features, but {table.num_rows} can be read.",
            where=name,
            remedy="Open and save it again in the program it came from, or export CSV.",
        )
    place = np.cumsum(~bad) - 1
    return table.take(pa.array(place, mask=bad))


def _not_json(name: str, what: str) -> InputError:
    return InputError(
        f"the file is no GeoJSON: {what}.",
        where=name,
        remedy="It is damaged or cut off, or something else under this name: export it again.",
    )
