"""Stakeout: finding a spot again, and proving that it was found."""

from asfound.model import ServiceTargets, Targets
from asfound.stakeout.choosing import (
    check_request,
    choose_targets,
    day_epoch,
    find_target,
    list_unit,
    make_stakeout,
    make_stakeouts,
    measured_epoch,
    shot_row,
)
from asfound.stakeout.coming_back import (
    Measured,
    compare_again,
    finding_covariance,
    frame_suspects,
    measured_at,
    measured_live,
    spot_difference,
)
from asfound.stakeout.exchange import geojson_list, gpx_list, kml_list, landxml_list
from asfound.stakeout.guidance import Guidance, GuidanceSettings, LiveTarget, guide, live_target
from asfound.stakeout.listing import (
    COLUMNS,
    about_list,
    csv_list,
    horizontal_95,
    list_columns,
    short_unit,
)
from asfound.stakeout.live import LiveFix, LiveState, StreamCounts, feed, lag
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
    station_targets,
    tee_targets,
    utility_words,
)

__all__ = [
    "COLUMNS",
    "TOLERANCE",
    "Guidance",
    "GuidanceSettings",
    "LiveFix",
    "LiveState",
    "LiveTarget",
    "Measured",
    "Outcome",
    "ReturnCheck",
    "ServiceTargets",
    "StreamCounts",
    "Targets",
    "about_list",
    "check_request",
    "choose_targets",
    "compare_again",
    "crossing_targets",
    "csv_list",
    "day_epoch",
    "feed",
    "find_target",
    "finding_covariance",
    "frame_suspects",
    "geojson_list",
    "gpx_list",
    "guide",
    "horizontal_95",
    "kml_list",
    "lag",
    "landxml_list",
    "line_targets",
    "list_columns",
    "list_unit",
    "live_target",
    "make_stakeout",
    "make_stakeouts",
    "measured_at",
    "measured_epoch",
    "measured_live",
    "path_length",
    "point_targets",
    "return_check",
    "return_statistics",
    "short_unit",
    "shot_row",
    "shot_targets",
    "spot_difference",
    "station_targets",
    "tee_targets",
    "to_service",
    "utility_words",
    "walking_order",
]
