"""Both channels of the lines' axes fitted: plane and level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._axis_kernels import LEAST_WEIGHT
from asfound.alignment._members import Members
from asfound.alignment._nodes import Nodes, place_nodes
from asfound.alignment._robust import Channel, fit_channel
from asfound.alignment._room import Room
from asfound.model import Utility

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

# Prior of the wander q [1/m] of direction and of grade: log10 of its median, for the plane and
# the level. Pipe is laid straight between bends, cable wanders; ten metres of pipe at 10^-5.5
# turn by 0.3 degrees, of cable at 10^-4.5 by one degree. Common practice, no source; each line's
# own shots then decide (`_robust`).
WANDER_CABLE = (-4.5, -4.5)
WANDER_PIPE = (-5.5, -5.5)
CABLES = (Utility.ELECTRIC, Utility.COMMUNICATION, Utility.UNKNOWN)
_IS_CABLE = np.isin(np.arange(128), CABLES)


@dataclass(frozen=True, eq=False)
class Fitted:
    """Everything known after the fit, before it is sampled and recorded.

    `used` and `weight` are by member, the channels by node.
    """

    nodes: Nodes
    used: Flags
    weight: Floats
    plane: Channel
    level: Channel


def fit_members(
    members: Members, utility: npt.NDArray[np.int8], room: Room | None = None
) -> Fitted:
    """Fit the plane and the level of all lines of a batch.

    Parameters
    ----------
    members : Members
    utility : (lines,) int8
    room : Room, optional
        Where the arrays by node are to be, good until it is cleared.
    """
    room = Room() if room is None else room
    nodes, seen, seen_level = place_nodes(members, room)
    cable = _IS_CABLE[utility]
    plane = fit_channel(seen, np.where(cable, WANDER_CABLE[0], WANDER_PIPE[0]), room)
    level = fit_channel(seen_level, np.where(cable, WANDER_CABLE[1], WANDER_PIPE[1]), room)
    weight = plane.weight[nodes.node_of]
    return Fitted(nodes, weight > LEAST_WEIGHT, weight, plane, level)
