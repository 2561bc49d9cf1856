"""Stakeout: finding a spot again, and proving that it was found."""

from asfound.stakeout.exchange import geojson_list, gpx_list, kml_list, landxml_list
from asfound.stakeout.listing import COLUMNS, csv_list, list_columns
from asfound.stakeout.order import path_length, walking_order
from asfound.stakeout.return_check import (
    TOLERANCE,
    Outcome,
    ReturnCheck,
    return_check,
    return_statistics,
)
from asfound.stakeout.service import ServiceTargets, to_service
from asfound.stakeout.targets import (
    Targets,
    crossing_targets,
    line_targets,
    point_targets,
    shot_targets,
    tee_targets,
)

__all__ = [
    "COLUMNS",
    "TOLERANCE",
    "Outcome",
    "ReturnCheck",
    "ServiceTargets",
    "Targets",
    "crossing_targets",
    "csv_list",
    "geojson_list",
    "gpx_list",
    "kml_list",
    "landxml_list",
    "line_targets",
    "list_columns",
    "path_length",
    "point_targets",
    "return_check",
    "return_statistics",
    "shot_targets",
    "tee_targets",
    "to_service",
    "walking_order",
]
