"""Lines: shots put in order, the axis through them and the envelope that holds the conductor."""

from asfound.alignment.assembly import assemble
from asfound.alignment.crossings import find_crossings
from asfound.alignment.fit import fit_lines
from asfound.alignment.posterior import (
    JointPosterior,
    Refits,
    SharedShift,
    draw_axes,
    joint_covariance,
    joint_posterior,
)
from asfound.alignment.profile import cover_of, grade_of
from asfound.alignment.regroup import regroup

__all__ = [
    "JointPosterior",
    "Refits",
    "SharedShift",
    "assemble",
    "cover_of",
    "draw_axes",
    "find_crossings",
    "fit_lines",
    "grade_of",
    "joint_covariance",
    "joint_posterior",
    "regroup",
]
