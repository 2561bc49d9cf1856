"""Frames, epochs, heights and projections: from an antenna to the ground in the job's CRS."""

from asfound.geodesy.differences import (
    FootMixUp,
    FrameDifference,
    compare_frames,
    foot_mix_up,
)
from asfound.geodesy.distances import geodesic, ground_lengths
from asfound.geodesy.ellipsoid import Ellipsoid
from asfound.geodesy.factors import exact_factors, spread_factors
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
from asfound.geodesy.local import GRS80, geocentric, local_offset
from asfound.geodesy.moving import moved_points
from asfound.geodesy.operations import COARSE_ACCURACY, FrameChange, choose_operation
from asfound.geodesy.places import Place, place_of
from asfound.geodesy.plate_motion import (
    PlateModel,
    moved_by,
    plate_code,
    plate_interior,
    plate_model,
    plate_models,
    plate_names,
    velocity_at,
)
from asfound.geodesy.rotations import (
    grid_bearing,
    rotate_covariance,
    rotate_vector,
    true_bearing,
)
from asfound.geodesy.suggestions import suggest_projected
from asfound.geodesy.to_ground import elevation_factor, points_to_ground, to_ground

__all__ = [
    "COARSE_ACCURACY",
    "GRS80",
    "PRESETS",
    "Ellipsoid",
    "FootMixUp",
    "FrameChange",
    "FrameDifference",
    "FramePreset",
    "GeoidModel",
    "JobGrid",
    "Place",
    "PlateModel",
    "choose_operation",
    "compare_frames",
    "elevation_factor",
    "ensemble_accuracy",
    "exact_factors",
    "foot_mix_up",
    "frame_of",
    "geocentric",
    "geodesic",
    "geoid_from_file",
    "geoid_from_registry",
    "grid_bearing",
    "ground_lengths",
    "is_dynamic",
    "job_grid",
    "local_offset",
    "move_local",
    "moved_by",
    "moved_points",
    "place_of",
    "plate_code",
    "plate_interior",
    "plate_model",
    "plate_models",
    "plate_names",
    "points_to_ground",
    "preset_of",
    "resolve_frame",
    "rotate_covariance",
    "rotate_vector",
    "spread_factors",
    "suggest_projected",
    "tip_offset",
    "to_ground",
    "true_bearing",
    "velocity_at",
]
