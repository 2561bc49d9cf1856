"""Lines: shots put in order, the axis through them and the envelope that holds the conductor."""

from asfound.alignment.assembly import assemble
from asfound.alignment.crossings import find_crossings
from asfound.alignment.fit import fit_lines
from asfound.alignment.posterior import (
    JointPosterior,
    SharedShift,
    draw_axes,
    joint_covariance,
    joint_posterior,
)

__all__ = [
    "JointPosterior",
    "SharedShift",
    "assemble",
    "draw_axes",
    "find_crossings",
    "fit_lines",
    "joint_covariance",
    "joint_posterior",
]
