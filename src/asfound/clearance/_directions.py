"""In which directions of normal space to integrate, and which numbers matter next."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.linalg import qr

from asfound.clearance._scene import PLAN, SPACE, Scene, core_distance, node_distances

Floats = npt.NDArray[np.float64]
How = tuple[str, float, float]

FAR = 6.5
ABOUT = 1.0
IMPORTANCE = 2.0


def soonest_directions(scene: Scene, how: How, extra: Floats) -> tuple[list[Floats], float]:
    """Directions along which the state changes about soonest from the mean, and how soon."""
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
    return near, float(ruling[order[0]])


def frame_of(scene: Scene, direction: Floats) -> Floats:
    """(q, d) orthonormal columns: the direction, then what matters most, the radius fourth.

    Quasi-random points are best in their first dimensions, so these go to what moves the line
    where it comes nearest. Numbers that move nothing are left out.
    """
    near = node_distances(scene, SPACE)
    spread = np.sqrt(np.sum(scene.root**2, axis=(1, 2)))
    weight = np.exp(-0.5 * ((near - near.min()) / (IMPORTANCE * spread + 1e-9)) ** 2) + 1e-3
    rows = (scene.root * weight[:, None, None]).reshape(-1, scene.size)
    if len(scene.path_root):
        rows = np.vstack((rows, scene.path_root.reshape(-1, scene.size)))
    rows = rows[:, :-1]
    first = direction[:-1]
    rest = rows - np.outer(rows @ first, first)
    q, r, _ = qr(rest.T, mode="economic", pivoting=True)
    size = np.abs(np.diag(r))
    kept = q[:, size > 1e-7 * max(1e-12, float(size.max(initial=0.0)))]
    kept = kept - np.outer(first, first @ kept)
    basis = np.zeros((scene.size, kept.shape[1] + 2))
    basis[:-1, 0] = first
    own = [k for k in range(1, basis.shape[1]) if k != min(3, basis.shape[1] - 1)]
    basis[:-1, own] = kept
    basis[-1, min(3, basis.shape[1] - 1)] = 1.0
    return basis


def steepest(scene: Scene, direction: Floats) -> float:
    """Fastest that any part of line and dig approach each other along the direction [m]."""
    speed = float(np.sqrt(np.sum((scene.root @ direction) ** 2, axis=1)).max())
    if len(scene.path_root):
        speed += float(np.sqrt(np.sum((scene.path_root @ direction) ** 2, axis=1)).max())
    return max(speed, 1e-9)


def _directions(scene: Scene, how: How) -> list[Floats]:
    """Unit directions to try: where the distance grows, across the line, up, and between these."""
    node, end = _nearest(scene)
    row = scene.root[node] - (scene.path_root[end] if end >= 0 else 0.0)
    pulls = [_unit(normal @ row) for normal in _normals(scene, node, how)]
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


def _nearest(scene: Scene) -> tuple[int, int]:
    """The node nearest to the dig, and the nearest end of a tube (-1: none)."""
    if len(scene.path):
        gap = scene.node[:, None, :] - scene.path[None, :, :]
        flat = int(np.argmin(np.sum(gap**2, axis=2)))
        return flat // len(scene.path), flat % len(scene.path)
    alone = node_distances(scene, SPACE)
    near = np.flatnonzero(alone <= alone.min() + 1e-6)
    return int(near[len(near) // 2]), -1


def _normals(scene: Scene, node: int, how: How) -> list[Floats]:
    """Directions in space: where the distance grows, across the line, and up."""
    step = 1e-4
    shifts = np.vstack((step * np.eye(3), -step * np.eye(3)))
    moved = replace(scene, node=scene.node[node] + shifts, root=np.zeros((6, 3, scene.size)))
    moved = replace(moved, path_root=np.zeros(scene.path_root.shape))
    value = node_distances(moved, *how)
    gradient = value[:3] - value[3:]
    size = float(np.linalg.norm(gradient))
    found = [gradient / size] if size > 1e-9 else []
    low, high = max(node - 1, 0), min(node + 1, len(scene.node) - 1)
    along = scene.node[high, :2] - scene.node[low, :2]
    run = float(np.hypot(*along))
    sides = [np.array([-along[1], along[0], 0.0]) / run] if run > 1e-9 else list(np.eye(3)[:2])
    if how[0] == PLAN:
        return [*found, *sides]
    return [*found, *sides[:-1], sides[-1], np.array([0.0, 0.0, 1.0])]
