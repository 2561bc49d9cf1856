"""Invented scenes on a plane: shots, ground and budgets made of plain arrays."""

from types import SimpleNamespace

import numpy as np
import pytest

from asfound.model import Budget, BudgetTerm, Frame, Ground, JobSettings, Shots


def make_ground(easting, northing, height=None):
    count = len(easting)
    zero = np.zeros(count)
    level = zero + 100.0 if height is None else np.asarray(height, float)
    return Ground(
        easting=np.asarray(easting, float),
        northing=np.asarray(northing, float),
        height=level,
        longitude=zero,
        latitude=zero,
        ellipsoidal_height=level,
        convergence=zero,
        combined_factor=zero + 1.0,
        epoch=zero + 2026.9,
        operation=np.zeros(count, np.int16),
        operations=(),
        unit_metres=1.0,
        vertical_reference="ellipsoidal height",
    )


def make_shots(easting, northing, **columns):
    columns.setdefault("utility", np.full(len(easting), 2, np.int8))
    columns.setdefault("depth", np.full(len(easting), 1.2))
    return Shots.build(np.asarray(easting, float), np.asarray(northing, float), **columns)


def make_budget(centre, plane=0.03, level=0.03, terms=(), diameter=np.nan):
    """Budget with equal independent errors in both axes, and shared terms on top."""
    count = len(centre)
    independent = np.zeros((count, 3, 3))
    independent[:, 0, 0] = independent[:, 1, 1] = np.broadcast_to(plane, count) ** 2
    independent[:, 2, 2] = np.broadcast_to(level, count) ** 2
    covariance = independent.copy()
    for term in terms:
        covariance[:, 0, 0] += term.east_east
        covariance[:, 1, 1] += term.north_north
        covariance[:, 2, 2] += term.up_up
    zero = np.zeros(count)
    return Budget.of(
        tuple(terms),
        covariance,
        independent,
        np.asarray(centre, float),
        zero,
        zero,
        np.zeros((count, 3)),
        np.full(count, diameter),
    )


def make_term(name, count, plane, level, group=None):
    code = np.zeros(count, np.int32) if group is None else np.asarray(group, np.int32)
    flat = np.broadcast_to(plane, count) ** 2
    return BudgetTerm(
        name, name, "test", flat, flat, np.zeros(count), np.broadcast_to(level, count) ** 2, code
    )


def walk(stations, legs, start=(0.0, 0.0)):
    """Points at stations along straight legs of (length, bearing in degrees)."""
    stations = np.asarray(stations, float)
    x, y = np.full(len(stations), start[0]), np.full(len(stations), start[1])
    begin = 0.0
    for length, bearing in legs:
        part = np.clip(stations - begin, 0.0, length)
        x += part * np.sin(np.radians(bearing))
        y += part * np.cos(np.radians(bearing))
        begin += length
    return x, y


@pytest.fixture
def scene():
    return SimpleNamespace(
        ground=make_ground,
        shots=make_shots,
        budget=make_budget,
        term=make_term,
        walk=walk,
        settings=JobSettings("test", Frame("EPSG:26913")),
    )
