"""Small invented surveys for budget and rules: straight and curved lines, sane until changed."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, replace

import numpy as np
import pytest

from asfound.alignment import assemble
from asfound.budget import RuleContext, error_budget, load_profile, registered, run_rules
from asfound.model import (
    Assembly,
    Fix,
    Frame,
    Ground,
    JobSettings,
    Labels,
    Method,
    Operation,
    Severity,
    Shots,
    Source,
    Utility,
)

START = np.datetime64("2026-11-17T14:00", "us")


@dataclass(frozen=True)
class Path:
    """A line to log: (n, 2) points on it, and what is read there."""

    points: np.ndarray
    utility: Utility = Utility.GAS
    depth: float = 1.2
    current: float = 0.1
    hookup: str = "H1"
    source: int = 0
    name: str = ""


def straight(start=(0.0, 0.0), bearing=90.0, count=21, spacing=3.0, **read):
    along = np.arange(count)[:, None] * spacing
    course = np.array([np.sin(np.radians(bearing)), np.cos(np.radians(bearing))])
    return Path(np.asarray(start, float) + along * course, **read)


def curved(start=(0.0, 0.0), radius=30.0, count=21, spacing=3.0, **read):
    """To the left, setting out towards the east."""
    turned = np.arange(count) * spacing / radius
    shape = radius * np.stack([np.sin(turned), 1 - np.cos(turned)], axis=1)
    return Path(np.asarray(start, float) + shape, **read)


@dataclass(frozen=True, eq=False)
class Scene:
    shots: Shots
    ground: Ground
    assembly: Assembly
    sources: tuple[Source, ...]
    settings: JobSettings

    def having(self, rows=slice(None), **columns):
        """The same scene with shot columns changed at some rows."""
        changed = {}
        for name, value in columns.items():
            old = getattr(self.shots, name)
            if isinstance(old, Labels):
                words = old.words()
                words[rows] = value
                changed[name] = Labels.of(words.tolist())
            else:
                new = old.copy()
                new[rows] = value
                changed[name] = new
        return replace(self, shots=replace(self.shots, **changed))

    def moved(self, rows, east=0.0, north=0.0, up=0.0):
        """The same scene with ground points off by so much [m]."""
        step = {"easting": east, "northing": north, "height": up}
        arrays = {name: getattr(self.ground, name).copy() for name in step}
        for name, size in step.items():
            arrays[name][rows] += size
        shots = replace(self.shots, x=arrays["easting"].copy(), y=arrays["northing"].copy())
        return replace(self, shots=shots, ground=replace(self.ground, **arrays))

    def declaring(self, **settings):
        return replace(self, settings=replace(self.settings, **settings))

    def uploaded(self, source=0, **declared):
        changed = list(self.sources)
        changed[source] = replace(changed[source], **declared)
        return replace(self, sources=tuple(changed))

    def assembled(self):
        """Lines as the program itself makes them of the shots."""
        return replace(self, assembly=assemble(self.shots, self.ground))

    def reordered(self, order):
        """The same shots, rows in another order; rows are numbered anew."""
        order = np.asarray(order)
        arrays = {
            field.name: getattr(self.ground, field.name)[order]
            for field in dataclasses.fields(Ground)
            if isinstance(getattr(self.ground, field.name), np.ndarray)
        }
        shots = replace(self.shots.take(order), row=np.arange(1, len(order) + 1, dtype=np.int32))
        columns = ("line", "rank", "station", "bearing")
        assembly = replace(
            self.assembly, **{name: getattr(self.assembly, name)[order] for name in columns}
        )
        return replace(self, shots=shots, ground=replace(self.ground, **arrays), assembly=assembly)

    def budget(self, **profile):
        return error_budget(
            self.shots,
            self.ground,
            self.assembly,
            self.sources,
            self.settings,
            load_profile(profile),
        )

    def context(self, **profile):
        return RuleContext(
            self.shots,
            self.ground,
            self.budget(**profile),
            self.assembly,
            self.sources,
            self.settings,
            load_profile(profile),
        )

    def findings(self, **profile):
        return run_rules(self.context(**profile))


def survey(*paths, seed=1, noise=1.0, flat=False):
    """Log paths one after the other, 20 s a shot; errors as small as a good crew makes them."""
    rng = np.random.default_rng(seed)
    points = np.concatenate([path.points for path in paths]) if paths else np.empty((0, 2))
    count = len(points)
    owner = np.repeat(np.arange(len(paths)), [len(path.points) for path in paths])

    def each(name, kind=float):
        return np.array([getattr(path, name) for path in paths] or [0], kind)[owner]

    rough = noise * rng.standard_normal((5, count))
    points = points + 0.008 * rough[:2].T
    height = 300.0 + (0.0 if flat else 0.01 * points[:, 0]) + 0.012 * rough[2]
    shots = Shots.build(
        points[:, 0].copy(),
        points[:, 1].copy(),
        height=height,
        source=each("source", np.int16),
        time=START + np.arange(count) * np.timedelta64(20, "s"),
        utility=each("utility", np.int8),
        hookup=[paths[k].hookup for k in owner],
        receiver="R1",
        line=[paths[k].name for k in owner],
        method=Method.DIRECT,
        depth=each("depth") * (1 + 0.02 * rough[3]),
        current=each("current") * (1 + 0.02 * rough[4]),
        frequency=8000.0,
        fix=Fix.RTK_FIXED,
        satellites=18,
        east_sd=0.007,
        north_sd=0.007,
        up_sd=0.014,
        pdop=1.5,
        correction_age=1.0,
        base_distance=5000.0,
        antenna_height=1.8,
        tilt=np.radians(1.0),
        tilt_bearing=0.0,
        speed=0.02,
        peak_null_separation=np.full(count, 0.02),
        signal=60.0,
    )
    still = np.zeros(count)
    ground = Ground(
        points[:, 0].copy(),
        points[:, 1].copy(),
        height,
        -97.0 + points[:, 0] / 88_000.0,
        38.0 + points[:, 1] / 111_000.0,
        height,
        still,
        still + 1.0,
        still + 2026.88,
        np.zeros(count, np.int16),
        (Operation("a frame", "the job's", "invented", 0.0, ""),),
        1.0,
        "ellipsoidal height",
    )
    sources = tuple(
        Source(tag, f"{tag}.csv", "", 0, 0, Frame("EPSG:6318"))
        for tag in "ABCDEFG"[: max([path.source for path in paths], default=0) + 1]
    )
    return Scene(
        shots, ground, _true_lines(paths, points), sources, JobSettings("job", Frame("EPSG:6466"))
    )


def _true_lines(paths, points):
    line = np.repeat(np.arange(len(paths)), [len(path.points) for path in paths]).astype(np.int32)
    bearing, station, rank = [], [], []
    for path in paths:
        count = len(path.points)
        order = 2 if count > 2 else 1
        step = np.full((1, 2), np.nan)
        if count > 1:
            step = np.gradient(path.points, axis=0, edge_order=order)
        bearing.append(np.arctan2(step[:, 0], step[:, 1]) % (2 * np.pi))
        legs = np.hypot(*np.diff(path.points, axis=0).T)
        station.append(np.concatenate([[0.0], np.cumsum(legs)]))
        rank.append(np.arange(len(path.points)))
    return Assembly(
        line,
        np.concatenate(rank or [np.empty(0)]).astype(np.int32),
        np.concatenate(station or [np.empty(0)]),
        np.concatenate(bearing or [np.empty(0)]),
        tuple(path.name or f"L{k + 1}" for k, path in enumerate(paths)),
        np.array([path.utility for path in paths], np.int8),
        np.zeros(len(paths), np.int32),
    )


def _outcome(scene, rule_id, profile):
    findings = scene.findings(**profile)
    for card, reason in findings.not_run:
        if card.id == rule_id:
            return reason
    return next(item for item in findings.outcomes if item.rule.id == rule_id)


@pytest.fixture(name="straight")
def _straight():
    return straight


@pytest.fixture(name="curved")
def _curved():
    return curved


@pytest.fixture(name="survey")
def _survey():
    return survey


@pytest.fixture
def speaks():
    """Assert that a rule finds just these subjects, at this severity; gives its outcome."""

    def check(scene, rule_id, rows, severity=Severity.DOUBT, **profile):
        result = _outcome(scene, rule_id, profile)
        assert not isinstance(result, str), result
        assert result.index.tolist() == sorted(np.atleast_1d(rows).tolist())
        if severity is not None:
            assert set(result.severity.tolist()) == {int(severity)}
        assert len(result.detail) in (0, len(result.index))
        assert all(result.detail)
        return result

    return check


@pytest.fixture
def silent():
    """Assert that a rule that has data to work on finds nothing (graver than a note)."""

    def check(scene, rule_id, notes=False, **profile):
        result = _outcome(scene, rule_id, profile)
        assert not isinstance(result, str), result
        grave = result.severity > Severity.NOTE
        assert result.index[grave | (not notes)].tolist() == []

    return check


@pytest.fixture
def not_run():
    """Assert that a rule says that it had nothing to work on; gives its reason."""

    def check(scene, rule_id, **profile):
        result = _outcome(scene, rule_id, profile)
        assert isinstance(result, str)
        assert result
        return result

    return check


@pytest.fixture
def rule_ids():
    return [card.id for card, _ in registered()]
