"""In which directions of normal space to integrate, and which numbers matter next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.linalg import qr

from asfound.clearance._scene import PLAN, SPACE, Scene, core_distance, node_distances
from asfound.clearance._touch_kernels import FAR

Floats = npt.NDArray[np.float64]
How = tuple[str, float, float]

ABOUT = 1.0
IMPORTANCE = 2.0
PARALLEL = 0.05
BETWEEN = 8


def soonest_directions(
    scene: Scene, how: How, extra: Floats
) -> tuple[list[Floats], float, list[Floats]]:
    """Directions along which the state changes about soonest from the mean, how soon; and all."""
    directions = _directions(scene, how)
    t = np.linspace(-FAR, FAR, 53)
    u = np.concatenate([t[:, None] * direction for direction in directions])
    value = core_distance(scene, u, *how).reshape(len(directions), -1) - scene.radius
    soonest = np.full((len(directions), len(extra)), FAR)
    for e in range(len(extra)):
        state = value <= extra[e]
        for k in range(len(directions)):
            change = np.flatnonzero(state[k, 1:] != state[k, :-1])
            if len(change):
                soonest[k, e] = np.abs(0.5 * (t[change] + t[change + 1])).min()
    # the state that is least settled counts
    ruling = soonest[:, int(np.argmin(soonest.min(axis=0)))]
    order = np.argsort(ruling, kind="stable")
    near = [directions[k] for k in order.tolist() if ruling[k] <= ruling[order[0]] + ABOUT]
    return near, float(ruling[order[0]]), directions


def frame_of(scene: Scene, direction: Floats, others: Sequence[Floats] = ()) -> Floats:
    """(q, d) orthonormal columns: the direction, then what matters most, the radius fourth.

    Quasi-random points are best in their first dimensions, so these go to the other directions in
    which the state may change, then to what moves the line where it comes nearest. An edge of the
    dig that lies square to one of them is a step in a single dimension, which such points
    integrate best. Numbers that move nothing are left out.
    """
    near = node_distances(scene, SPACE)
    spread = np.sqrt(np.sum(scene.root**2, axis=(1, 2)))
    weight = np.exp(-0.5 * ((near - near.min()) / (IMPORTANCE * spread + 1e-9)) ** 2) + 1e-3
    rows = (scene.root * weight[:, None, None]).reshape(-1, scene.size)
    if len(scene.path_root):
        rows = np.vstack((rows, scene.path_root.reshape(-1, scene.size)))
    rows = rows[:, :-1]
    first = direction[:-1]
    taken = first[None]
    for other in others:
        left = other[:-1] - taken.T @ (taken @ other[:-1])
        length = float(np.linalg.norm(left))
        if length > PARALLEL:
            taken = np.vstack((taken, left / length))
    rest = rows - (rows @ taken.T) @ taken
    q, r, _ = qr(rest.T, mode="economic", pivoting=True)
    size = np.abs(np.diag(r))
    most = float(np.sqrt(np.sum(rows**2, axis=1)).max(initial=0.0))
    kept = q[:, size > 1e-7 * max(1e-12, most)]
    kept = np.column_stack((taken[1:].T, kept - taken.T @ (taken @ kept)))
    basis = np.zeros((scene.size, kept.shape[1] + 2))
    basis[:-1, 0] = first
    own = [k for k in range(1, basis.shape[1]) if k != min(3, basis.shape[1] - 1)]
    basis[:-1, own] = kept
    basis[-1, min(3, basis.shape[1] - 1)] = 1.0
    return basis


def _directions(scene: Scene, how: How) -> list[Floats]:
    """Unit directions to try: where the distance grows, across the line, up, and between these."""
    spot = _nearest(scene)
    pulls = [_unit(normal @ spot.root) for normal in _normals(scene, spot, how)]
    plain = [pull for pull in pulls if pull is not None]
    # half-way between as the numbers see it, whichever of them is the more uncertain
    between = [
        _unit(one + sign * two)
        for k, one in enumerate(plain[-2:])
        for two in plain[-2:][k + 1 :]
        for sign in (1.0, -1.0)
    ]
    found: list[Floats] = []
    for pull in plain + [pull for pull in between if pull is not None]:
        if all(abs(pull @ other) < 0.99 for other in found):
            found.append(pull)
    if not found:
        unit = np.zeros(scene.size)
        unit[0] = 1.0
        return [unit]
    return found


def _unit(pull: Floats) -> Floats | None:
    pull = pull.copy()
    pull[-1] = 0.0
    size = float(np.linalg.norm(pull))
    return pull / size if size > 1e-9 else None


@dataclass(frozen=True, eq=False)
class _Spot:
    """Where the mean line comes nearest to the dig.

    Parameters
    ----------
    place, run : (3,) float64
        The point, and the way of the line there [m].
    root : (3, q) float64
        How the line moves there against the dig.
    """

    place: Floats
    run: Floats
    root: Floats


def _nearest(scene: Scene) -> _Spot:
    """The middle of the stretch of the mean line that is nearest to the dig."""
    count = len(scene.node)
    if count > 1:
        share = np.concatenate((np.tile(np.arange(BETWEEN) / BETWEEN, count - 1), [0.0]))
        before = np.concatenate((np.repeat(np.arange(count - 1), BETWEEN), [count - 1]))
        held = (share == 0.0) | scene.real[np.minimum(before, count - 2)]
        share, before = share[held], before[held]
    else:
        share, before = np.zeros(1), np.zeros(1, np.int64)
    after = np.minimum(before + 1, count - 1)
    weight = share[:, None]
    place = (1.0 - weight) * scene.node[before] + weight * scene.node[after]
    gap = node_distances(replace(scene, node=place), SPACE)
    near = np.flatnonzero(gap <= gap.min() + 1e-6)
    pick = int(near[len(near) // 2])
    one, two, part = int(before[pick]), int(after[pick]), float(share[pick])
    root = (1.0 - part) * scene.root[one] + part * scene.root[two]
    if len(scene.path):
        begin, way = scene.path[0::2], scene.path[1::2] - scene.path[0::2]
        square = np.maximum(np.sum(way**2, axis=1), 1e-300)
        along = np.clip(np.sum((place[pick] - begin) * way, axis=1) / square, 0.0, 1.0)
        away = place[pick] - begin - along[:, None] * way
        tube = int(np.argmin(np.sum(away**2, axis=1)))
        ends = scene.path_root[2 * tube : 2 * tube + 2]
        root = root - (1.0 - along[tube]) * ends[0] - along[tube] * ends[1]
    low, high = (one, two) if two > one else (max(one - 1, 0), one)
    return _Spot(place[pick], scene.node[high] - scene.node[low], root)


def _normals(scene: Scene, spot: _Spot, how: How) -> list[Floats]:
    """Directions in space: where the distance grows, across the line, and up."""
    step = 1e-4
    shifts = np.vstack((step * np.eye(3), -step * np.eye(3)))
    value = node_distances(replace(scene, node=spot.place + shifts), *how)
    gradient = value[:3] - value[3:]
    size = float(np.linalg.norm(gradient))
    found = [gradient / size] if size > 1e-9 else []
    along = spot.run[:2]
    run = float(np.hypot(*along))
    sides = [np.array([-along[1], along[0], 0.0]) / run] if run > 1e-9 else list(np.eye(3)[:2])
    if how[0] == PLAN:
        return [*found, *sides]
    return [*found, *sides[:-1], sides[-1], np.array([0.0, 0.0, 1.0])]
