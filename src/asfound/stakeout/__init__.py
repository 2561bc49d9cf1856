"""Stakeout: finding a spot again, and proving that it was found."""

from asfound.model import ServiceTargets, Targets
from asfound.stakeout.exchange import geojson_list, gpx_list, kml_list, landxml_list
from asfound.stakeout.guidance import Guidance, GuidanceSettings, LiveTarget, guide, live_target
from asfound.stakeout.listing import COLUMNS, csv_list, list_columns
from asfound.stakeout.live import LiveFix, LiveState, StreamCounts, feed
from asfound.stakeout.order import path_length, walking_order
from asfound.stakeout.return_check import (
    TOLERANCE,
    Outcome,
    ReturnCheck,
    return_check,
    return_statistics,
)
from asfound.stakeout.service import to_service
from asfound.stakeout.targets import (
    crossing_targets,
    line_targets,
    point_targets,
    shot_targets,
    tee_targets,
)

__all__ = [
    "COLUMNS",
    "TOLERANCE",
    "Guidance",
    "GuidanceSettings",
    "LiveFix",
    "LiveState",
    "LiveTarget",
    "Outcome",
    "ReturnCheck",
    "ServiceTargets",
    "StreamCounts",
    "Targets",
    "crossing_targets",
    "csv_list",
    "feed",
    "geojson_list",
    "gpx_list",
    "guide",
    "kml_list",
    "landxml_list",
    "line_targets",
    "list_columns",
    "live_target",
    "path_length",
    "point_targets",
    "return_check",
    "return_statistics",
    "shot_targets",
    "tee_targets",
    "to_service",
    "walking_order",
]
