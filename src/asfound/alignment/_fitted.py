"""Both channels of the lines' axes fitted: plane and level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.alignment._corners import find_corners
from asfound.alignment._members import Members, spikes_of
from asfound.alignment._nodes import Nodes, place_nodes, spread, stations_of
from asfound.alignment._robust import Channel, Observed, fit_channel
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
KINK_SLOPE = 1.0
LEAST_WEIGHT = 0.05


@dataclass(frozen=True, eq=False)
class Fitted:
    """Everything known after the fit, before it is sampled and recorded.

    `used`, `weight` and `deep_weight` are by member, the channels by node.
    """

    nodes: Nodes
    used: Flags
    weight: Floats
    deep_weight: Floats
    plane: Channel
    level: Channel


def fit_members(members: Members, bearing: Floats, utility: npt.NDArray[np.int8]) -> Fitted:
    """Fit the plane and the level of all lines of a batch.

    Parameters
    ----------
    members : Members
    bearing : (m,) float64
        Grid bearing of the line at each member [rad].
    utility : (lines,) int8
    """
    sound = members.usable & ~spikes_of(members)
    corners = find_corners(
        members.starts, members.east, members.north, np.sqrt(members.across), sound
    )
    station = stations_of(members, sound, corners, bearing)
    nodes = place_nodes(members, station, corners)
    gap = np.zeros(len(nodes.station))
    gap[:-1] = np.maximum(np.diff(nodes.station), 0.0)
    gap[nodes.starts[1:] - 1] = 0.0
    cable = np.isin(utility, CABLES)
    nothing = np.zeros(len(gap))

    plane = fit_channel(
        Observed(
            starts=nodes.starts,
            gap=gap,
            data=spread(nodes, np.stack((members.east, members.north))),
            variance=spread(nodes, members.across[None], 1.0)[0],
            usable=spread(nodes, members.usable[None])[0] > 0,
            weight=spread(nodes, sound[None])[0],
            left=spread(nodes, members.left),
            extra=nodes.bend_wander,
            kink=np.where(nodes.kink, KINK_SLOPE, 0.0),
            known=nodes.bend_wander > 0,
        ),
        np.where(cable, WANDER_CABLE[0], WANDER_PIPE[0]),
    )
    level = fit_channel(
        Observed(
            starts=nodes.starts,
            gap=gap,
            data=spread(nodes, members.up[None]),
            variance=spread(nodes, members.vertical[None], 1.0)[0],
            usable=spread(nodes, members.deep[None])[0] > 0,
            weight=spread(nodes, members.deep[None])[0],
            left=None,
            extra=nothing,
            kink=nothing,
            known=nothing > 0,
        ),
        np.where(cable, WANDER_CABLE[1], WANDER_PIPE[1]),
    )
    weight = plane.weight[nodes.node_of]
    return Fitted(nodes, weight > LEAST_WEIGHT, weight, level.weight[nodes.node_of], plane, level)
