"""Frames, epochs, heights and projections: from an antenna to the ground in the job's CRS."""

from asfound.geodesy.ellipsoid import Ellipsoid
from asfound.geodesy.frames import (
    PRESETS,
    FramePreset,
    ensemble_accuracy,
    frame_of,
    is_dynamic,
    preset_of,
    resolve_frame,
)
from asfound.geodesy.heights import GeoidModel, geoid_from_file, geoid_from_registry
from asfound.geodesy.job_grid import JobGrid, job_grid
from asfound.geodesy.lever_arm import move_local, tip_offset
from asfound.geodesy.operations import COARSE_ACCURACY, FrameChange, choose_operation
from asfound.geodesy.places import Place, place_of
from asfound.geodesy.suggestions import suggest_projected
from asfound.geodesy.to_ground import elevation_factor, points_to_ground, to_ground

__all__ = [
    "COARSE_ACCURACY",
    "PRESETS",
    "Ellipsoid",
    "FrameChange",
    "FramePreset",
    "GeoidModel",
    "JobGrid",
    "Place",
    "choose_operation",
    "elevation_factor",
    "ensemble_accuracy",
    "frame_of",
    "geoid_from_file",
    "geoid_from_registry",
    "is_dynamic",
    "job_grid",
    "move_local",
    "place_of",
    "points_to_ground",
    "preset_of",
    "resolve_frame",
    "suggest_projected",
    "tip_offset",
    "to_ground",
]
