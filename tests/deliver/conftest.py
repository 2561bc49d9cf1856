"""An invented job with every kind of thing an output has to show: lines, crossings, findings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
import pyproj
import pytest

from asfound.deliver.delivery import Delivery, prepare
from asfound.job.proving import prove
from asfound.model import (
    HORIZONTAL_COIL,
    Assembly,
    Budget,
    BudgetTerm,
    ControlPoint,
    Crossing,
    Findings,
    Fix,
    Frame,
    Ground,
    Intake,
    JobSettings,
    Line,
    LocatedConductor,
    LocatedSweep,
    Method,
    NominalSize,
    Operation,
    Receiver,
    Results,
    RowAccount,
    RowReport,
    Rule,
    RuleOutcome,
    Shots,
    Source,
    Sweep,
    SweepCorrection,
    Utility,
)

FOOT = 1200.0 / 3937.0
HOSTILE = (
    '=HYPERLINK("x")',
    '#read("/etc/passwd") $x$ *bold* _it_ @ref <label> \\ `raw` //c',
    "</description><script>alert(1)</script>&amp;]]>",
    "'); DROP TABLE shots; --",
    "{\\fArial;x}\n0\nEOF %%d^J\u202eabc",
    "Zoë's größte Straße 管線 \U0001f6b0 \x07bell",
)

SWEPT = 20
PLAIN_NAMES = ("G1", "W1", "E1", "C1")


def build_results(
    unit: str = "m",
    *,
    per_line: int = 15,
    depths: bool = True,
    heights: bool = True,
    hostile: bool = False,
    invented: bool = True,
    extent: float = 60.0,
) -> Results:
    """A job of four lines of `per_line` shots each, three control checks and one stray."""
    random = np.random.default_rng(20261120)
    crs = "EPSG:6428" if unit == "ftUS" else "EPSG:6427"
    unit_metres = FOOT if unit == "ftUS" else 1.0
    east0, north0 = 955_000.0, 515_000.0
    utilities = (Utility.GAS, Utility.WATER, Utility.ELECTRIC, Utility.COMMUNICATION)
    names = (HOSTILE[5], HOSTILE[2], HOSTILE[4], HOSTILE[0]) if hostile else PLAIN_NAMES
    starts = ((0.0, 5.0), (0.0, 18.0), (14.0, -4.0), (46.0, -6.0))
    ends = ((60.0, 9.0), (60.0, 15.0), (17.0, 30.0), (38.0, 32.0))
    mean_depth = (0.95, 1.45, 0.75, 0.6)
    plan, along, depth, line = [], [], [], []
    for k in range(4):
        t = np.linspace(0.0, 1.0, per_line)
        start, end = np.array(starts[k]), np.array(ends[k])
        plan.append((start + t[:, None] * (end - start)) * extent / 60.0)
        along.append(t * float(np.hypot(*(end - start))) * extent / 60.0)
        depth.append(mean_depth[k] + 0.12 * np.sin(5 * t + k))
        line.append(np.full(per_line, k))
    extra = np.array([[2.0, -8.0], [58.0, 30.0], [30.0, 34.0], [51.0, 24.0]]) * extent / 60.0
    true = np.concatenate([*plan, extra])
    count = len(true)
    joined = np.concatenate([*line, [-1] * 4]).astype(np.int32)
    rank = np.concatenate([np.tile(np.arange(per_line), 4), [-1] * 4]).astype(np.int32)
    station = np.concatenate([*along, [np.nan] * 4])
    reading = np.concatenate([*depth, [np.nan, np.nan, np.nan, 0.4]])
    if not depths:
        reading[:] = np.nan
    reading[4] = np.nan
    noise = random.normal(0.0, 0.02, (count, 2))
    easting, northing = (true + noise).T + np.array([[east0], [north0]])
    ground_height = 1609.0 + 0.01 * true[:, 0] + random.normal(0.0, 0.01, count)
    ellipsoidal = ground_height if heights else np.full(count, np.nan)
    if not heights:
        ground_height = ellipsoidal
    bearing_of = [
        float(np.arctan2(*(np.array(e) - np.array(s)))) for s, e in zip(starts, ends, strict=True)
    ]
    bearing = np.array([bearing_of[k] if k >= 0 else np.nan for k in joined])
    transformer = pyproj.Transformer.from_crs(crs, pyproj.CRS(crs).geodetic_crs, always_xy=True)
    longitude, latitude = transformer.transform(easting / unit_metres, northing / unit_metres)

    time = np.datetime64("2026-11-18T15:00:00", "us") + np.arange(count) * np.timedelta64(40, "s")
    time[7] = np.datetime64("NaT")
    control_names = (HOSTILE[1], HOSTILE[5]) if hostile else ("CP1", "CP2")
    word = HOSTILE if hostile else ("", "near valve", "", "asphalt", "", "")
    fix = np.full(count, int(Fix.RTK_FIXED))
    fix[9] = int(Fix.RTK_FLOAT)
    half = count // 2
    shots = Shots.build(
        easting / unit_metres,
        northing / unit_metres,
        source=np.where(np.arange(count) < half, 0, 1),
        row=np.where(np.arange(count) < half, np.arange(count), np.arange(count) - half) + 1,
        line_number=np.arange(count) + 2,
        name=[word[k % len(word)] if hostile else f"P{k}" for k in range(count)],
        time=time,
        utility=[int(utilities[k]) if k >= 0 else 0 for k in joined],
        line=[names[k] if k >= 0 else "" for k in joined],
        receiver=HOSTILE[3] if hostile else "RX-0417",
        hookup=["H1" if k == 0 else "" for k in joined],
        control=[
            control_names[{4: 0, 3: 1, 2: 0}[count - k]] if 2 <= count - k <= 4 else ""
            for k in range(count)
        ],
        note=[word[k % len(word)] for k in range(count)],
        method=int(Method.DIRECT),
        depth=reading,
        current=0.045,
        frequency=8192.0,
        fix=fix,
        satellites=19,
        height=ground_height,
    )
    across = np.hypot(0.02, 0.025)
    horizontal_sd = np.where(fix == int(Fix.RTK_FLOAT), 0.25, 0.012)
    sine, cosine = np.sin(np.nan_to_num(bearing)), np.cos(np.nan_to_num(bearing))
    known = np.isfinite(bearing)
    em = np.where(known, across, across)
    east_east = horizontal_sd**2 + np.where(known, (em * cosine) ** 2, em**2)
    north_north = horizontal_sd**2 + np.where(known, (em * sine) ** 2, em**2)
    east_north = np.where(known, -(em**2) * sine * cosine, 0.0)
    up_up = (0.03 + 0.03 * np.nan_to_num(reading, nan=1.0)) ** 2
    covariance = np.zeros((count, 3, 3))
    covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 2, 2] = east_east, north_north, up_up
    covariance[:, 0, 1] = covariance[:, 1, 0] = east_north
    values, vectors = np.linalg.eigh(covariance[:, :2, :2])
    scale = 2.447746830680816
    ellipse = np.column_stack(
        [
            scale * np.sqrt(values[:, 1]),
            scale * np.sqrt(values[:, 0]),
            np.arctan2(vectors[:, 0, 1], vectors[:, 1, 1]),
        ]
    )
    zero = np.array(0.0)
    diameter = np.where(joined == 0, 0.1143, np.nan)
    # A sweep beside this shot found the line 0.2 m higher than the receiver had shown.
    used_depth = reading.copy()
    used_depth[SWEPT] -= 0.2
    centre = ground_height - used_depth
    budget = Budget.of(
        terms=(
            BudgetTerm(
                "gnss",
                "GNSS position",
                "receiver class 8 mm + 1 ppm",
                horizontal_sd**2,
                horizontal_sd**2,
                np.zeros(count),
                np.full(count, 0.03**2),
            ),
            BudgetTerm(
                "geoid",
                "Geoid model",
                "common practice",
                zero,
                zero,
                zero,
                np.array(0.02**2),
                np.zeros(count, np.int32),
            ),
            BudgetTerm(
                "pinpointing",
                "Pinpointing across the line",
                "common practice",
                east_east - horizontal_sd**2,
                north_north - horizontal_sd**2,
                east_north,
                np.zeros(count),
            ),
        ),
        covariance=covariance,
        independent=covariance,
        centre_height=centre,
        horizontal_95=ellipse[:, 0] * 0.9 + ellipse[:, 1] * 0.1,
        vertical_95=1.959963984540054 * np.sqrt(up_up),
        ellipse=ellipse,
        outside_diameter=diameter,
    )
    operations = (
        Operation(
            "ITRF2020",
            "NAD83(2011)",
            "ITRF2020 to NAD83(2011), time-dependent",
            0.01,
            "+proj=pipeline +step +proj=helmert +step +proj=lcc",
            (),
            "each shot at its own time",
        ),
    )
    ground = Ground(
        easting=easting,
        northing=northing,
        height=ground_height,
        longitude=np.asarray(longitude),
        latitude=np.asarray(latitude),
        ellipsoidal_height=ellipsoidal,
        convergence=np.full(count, 0.002),
        combined_factor=np.full(count, 0.999712345),
        epoch=np.full(count, 2026.88),
        operation=np.zeros(count, np.int16),
        operations=operations,
        unit_metres=unit_metres,
        vertical_reference="ellipsoidal height, GRS 1980; no geoid model"
        if heights
        else "no heights: the job declares none",
    )
    assembly = Assembly(
        line=joined,
        rank=rank,
        station=station,
        bearing=bearing,
        names=names,
        utility=np.array([int(u) for u in utilities], np.int8),
        hookup=np.array([0, -1, -1, -1], np.int32),
        gaps=((1, 7, "41 m without a shot"),),
        tees=((2, 1, east0 + 15.0, north0 + 17.0),),
    )
    lines = []
    for k in range(4):
        members = np.flatnonzero(joined == k)
        m = 4 * per_line
        length = float(along[k][-1])
        axis_station = np.linspace(0.0, length, m)
        t = axis_station / length
        start, end = (np.array(p[k]) * extent / 60.0 for p in (starts, ends))
        axis = start + t[:, None] * (end - start) + [east0, north0]
        ground_above = 1609.0 + 0.01 * (start[0] + t * (end - start)[0])
        height = ground_above - np.interp(t, np.linspace(0, 1, per_line), depth[k])
        if not (depths and heights):
            height = np.full(m, np.nan)
        posterior = np.zeros((m, 3, 3))
        posterior[:, 0, 0] = posterior[:, 1, 1] = 0.02**2
        posterior[:, 2, 2] = 0.05**2
        lines.append(
            Line(
                name=names[k],
                utility=utilities[k],
                shots=members,
                used=np.arange(per_line) != 9,
                weight=np.where(np.arange(per_line) == 9, 0.0, 1.0),
                station=station[members],
                residual=np.column_stack([np.zeros(per_line), noise[members]]),
                axis_station=axis_station,
                easting=axis[:, 0],
                northing=axis[:, 1],
                height=height,
                ground_height=ground_above if heights else np.full(m, np.nan),
                bearing=np.full(m, bearing_of[k]),
                covariance=posterior,
                independent=posterior,
                bends=np.array([[length / 2, 0.1]]),
                gaps=np.array([[length * 0.5, length * 0.57]]) if k == 1 else np.empty((0, 2)),
                outside_diameter=0.1143 if k == 0 else float("nan"),
            )
        )
    sep = 0.55 if depths and heights else float("nan")
    crossings = (
        Crossing(2, 0, 10.2, 14.6, east0 + 14.6, north0 + 6.0, sep, 0.08, float("nan"), 1.45, 0.98),
        Crossing(3, 1, 24.0, 41.0, east0 + 41.5, north0 + 15.9, sep, 0.09, float("nan"), 1.3, 0.97),
    )
    fix_kind = Rule(
        "fix-kind",
        "Position is not an RTK fixed solution",
        "Compares the kind of fix with RTK fixed.",
        "RTK fixed",
        "common practice",
        "Shoot it again with a fixed solution.",
    )
    missing = Rule(
        "depth-missing",
        "No depth was logged",
        "Looks for a depth reading.",
        "a depth for each shot on a line",
        "common practice",
        "Read the depth.",
    )
    current = Rule(
        "current-change",
        "Current changes along the line",
        "Compares current with the neighbours'.",
        "30 % between shots",
        "common practice",
        "Check for a branch or a jump to another line.",
    )
    control = Rule(
        "control-missing",
        "No check on control at the end",
        "Looks for a control check after the last shot.",
        "one check a day",
        "common practice",
        "Shoot a control point.",
        "job",
    )
    bad_line = Rule(
        "hookup-change",
        "Hook-up changes on a line",
        "Compares hook-ups.",
        "one hook-up a line",
        "common practice",
        "Say why.",
        "line",
    )
    upload = Rule(
        "frame-undeclared",
        "Frame label is vague",
        "Looks at the declared frame.",
        "a frame with centimetre definition",
        "IOGP Guidance Note 25",
        HOSTILE[1] if hostile else "Ask the correction service.",
        "source",
    )
    nan = np.array([np.nan])
    findings = Findings(
        (
            RuleOutcome(
                fix_kind,
                np.array([9]),
                np.array([2], np.int8),
                nan,
                nan,
                "",
                ("RTK float, not RTK fixed",),
            ),
            RuleOutcome(missing, np.array([4]), np.array([1], np.int8), nan, nan),
            RuleOutcome(
                current,
                np.array([20, 21]),
                np.array([1, 0], np.int8),
                np.array([0.02, 0.03]),
                np.array([0.0315, 0.0315]),
                "A",
            ),
            RuleOutcome(control, np.array([0]), np.array([1], np.int8), nan, nan),
            RuleOutcome(bad_line, np.array([2]), np.array([0], np.int8), nan, nan),
            RuleOutcome(
                upload,
                np.array([1]),
                np.array([1], np.int8),
                np.array([2.0]),
                np.array([0.05]),
                "m",
            ),
        ),
        ((Rule("pdop", "PDOP too high", "", "", "", ""), "no upload holds PDOP"),),
    )
    verdict = np.zeros(count, np.int8)
    verdict[9] = 2
    verdict[[4, 20]] = 1
    sources = tuple(
        Source(
            tag,
            HOSTILE[2] + ".csv" if hostile and tag == "B" else f"day{k + 1}.csv",
            f"{k + 1}" * 64,
            4096 + k,
            half + 1,
            Frame("EPSG:9989"),
            antenna_height=1.8,
        )
        for k, tag in enumerate("AB")
    )
    intake = Intake(
        sources,
        shots,
        _sweeps(hostile, easting[SWEPT] / unit_metres, northing[SWEPT] / unit_metres),
        (
            RowReport(
                sources[0].file,
                half + 1,
                half + 2,
                "depth can't be read",
                "Correct the value and add the file again.",
                "depth",
                HOSTILE[0] if hostile else "1,2,3",
            ),
            RowReport(
                sources[1].file,
                3,
                4,
                "note is longer than 200 characters",
                "Nothing; it was kept whole.",
                "note",
                "...",
                accepted=True,
            ),
        ),
        tuple(
            RowAccount(
                source.file,
                half + 1 if source.tag == "A" else count - half,
                half if source.tag == "A" else count - half,
                0,
                1 if source.tag == "A" else 0,
            )
            for source in sources
        ),
    )
    ring = np.array([[-6, -12], [66, -12], [66, 38], [-6, 38]]) * extent / 60.0
    ring_lon, ring_lat = transformer.transform(
        (ring[:, 0] + east0) / unit_metres, (ring[:, 1] + north0) / unit_metres
    )
    settings = JobSettings(
        name=HOSTILE[1] if hostile else "Invented crossing of Fourth and Elm",
        frame=Frame(crs, 2010.0, "ellipsoidal" if heights else "none"),
        client=HOSTILE[2] if hostile else "Invented Works Department",
        place=HOSTILE[5] if hostile else "Fourth Street at Elm, Sampleton",
        crew=HOSTILE[4] if hostile else "Crew 3",
        notice="N-2026-001234",
        purpose=HOSTILE[0] if hostile else "Design of a storm drain",
        invented=invented,
        length_unit=unit,
        work_area=np.column_stack([ring_lon, ring_lat]),
        control=(
            ControlPoint(control_names[0], east0 + 2.0, north0 - 8.0, 1609.02),
            ControlPoint(control_names[1], east0 + 58.0, north0 + 30.0, 1609.58),
        ),
        receivers=(Receiver("RX-0417", verified=date(2026, 3, 2)),),
        sizes=(NominalSize(0.1143, Utility.GAS, basis="owner's record: NPS 4"),),
        processed_on=date(2026, 11, 20),
    )
    return Results(
        version="0.1.0",
        settings=settings,
        intake=intake,
        ground=ground,
        budget=budget,
        findings=findings,
        verdict=verdict,
        assembly=assembly,
        lines=tuple(lines),
        line_verdict=np.array([0, 1, 0, 0], np.int8),
        crossings=crossings,
        sweeps=_located(intake.sweeps, easting[SWEPT], northing[SWEPT], ground_height[SWEPT]),
        corrections=(
            SweepCorrection(
                shot=SWEPT,
                located=0,
                shift_left=0.12,
                depth_before=float(reading[SWEPT]),
                depth=float(used_depth[SWEPT]),
                horizontal_sd=0.04,
                depth_sd=0.05,
                distance=0.1,
                significant=True,
                reason="sweep S1: 1 other conductor distorts the field here",
            ),
        )
        if depths
        else (),
    )


def _sweeps(hostile: bool, x: float, y: float) -> tuple[Sweep, ...]:
    """One good sweep and one with too few readings, across the second line."""
    sweeps = []
    for name, count in ((HOSTILE[2] if hostile else "S1", 13), ("S2", 3)):
        position = np.linspace(0.0, 4.8, count)
        value = 40.0 / (1.0 + (position - 2.4) ** 2)
        sweeps.append(
            Sweep(
                name=name,
                source=0,
                rows=np.arange(1, count + 1, dtype=np.int32),
                position=position,
                coil_height=np.full(count, 0.05),
                coil=np.full(count, HORIZONTAL_COIL, np.int8),
                value=value,
                saturated=np.zeros(count, bool),
                unit="nT",
                start=np.array([x, y - 2.4, 1609.0]),
                end=np.array([x, y + 2.4, 1609.0]),
                length=4.8,
                time=np.datetime64("2026-11-18T17:00:00", "us"),
                utility=Utility.WATER,
            )
        )
    return tuple(sweeps)


def _located(
    sweeps: tuple[Sweep, ...], easting: float, northing: float, height: float
) -> tuple[LocatedSweep, ...]:
    def conductor(position: float, depth: float, current: float) -> LocatedConductor:
        return LocatedConductor(
            position,
            depth,
            0.04,
            0.05,
            current,
            easting,
            northing - 2.4 + position,
            height - depth,
            np.diag([0.03**2, 0.04**2, 0.05**2]),
        )

    nan = float("nan")
    common = {
        "explained": True,
        "evidence": (-10.0, 20.0, 12.0, 5.0),
        "p_value": nan,
        "noise": 0.05,
        "gain_known": True,
        "start": np.array([easting, northing - 2.4, height]),
        "end": np.array([easting, northing + 2.4, height]),
    }
    good = LocatedSweep(
        name=sweeps[0].name,
        sweep=0,
        reason="",
        conductors=(conductor(2.3, 1.3, 0.04), conductor(3.1, 0.9, 0.015)),
        words=("Two conductors explain this sweep.",),
        outlier=np.zeros(13, bool),
        line=1,
        target=0,
        shown_peak=2.5,
        shown_null=2.6,
        shown_depth=1.52,
        **common,
    )
    bad = LocatedSweep(
        name=sweeps[1].name,
        sweep=1,
        reason="3 readings are too few: take at least 9.",
        conductors=(),
        words=(),
        outlier=np.zeros(3, bool),
        line=-1,
        target=-1,
        shown_peak=nan,
        shown_null=nan,
        shown_depth=nan,
        **common,
    )
    return good, bad


def empty_results() -> Results:
    """A job without a single shot."""
    full = build_results()
    shots = full.intake.shots.take(np.empty(0, np.int64))
    none = np.empty(0)
    arrays = (
        *("easting", "northing", "height", "longitude", "latitude"),
        *("ellipsoidal_height", "convergence", "combined_factor", "epoch"),
    )
    ground = Ground(
        **dict.fromkeys(arrays, none),
        operation=np.empty(0, np.int16),
        operations=(),
        unit_metres=1.0,
        vertical_reference="ellipsoidal height, GRS 1980; no geoid model",
    )
    return Results(
        version="0.1.0",
        settings=JobSettings("Nothing yet", Frame("EPSG:6427", 2010.0)),
        intake=Intake((), shots, (), (), ()),
        ground=ground,
        budget=Budget.of(
            (), np.empty((0, 3, 3)), np.empty((0, 3, 3)), none, none, none, np.empty((0, 3)), none
        ),
        findings=Findings(()),
        verdict=np.empty(0, np.int8),
        assembly=Assembly(
            np.empty(0, np.int32),
            np.empty(0, np.int32),
            none,
            none,
            (),
            np.empty(0, np.int8),
            np.empty(0, np.int32),
        ),
        lines=(),
        line_verdict=np.empty(0, np.int8),
        crossings=(),
    )


def lost_position_results() -> Results:
    """A job of which one shot has no position and so no uncertainty."""
    full = build_results()
    ground, budget = full.ground, full.budget
    for array in (
        *(ground.easting, ground.northing, ground.height, ground.longitude, ground.latitude),
        *(ground.ellipsoidal_height, ground.convergence, ground.combined_factor, ground.epoch),
        *(budget.centre_height, budget.horizontal_95, budget.vertical_95),
        *(budget.ellipse, budget.covariance),
    ):
        array[-1] = np.nan
    return full


_VARIANTS: dict[str, Callable[[], Results]] = {
    "metre": lambda: build_results("m"),
    "survey foot": lambda: build_results("ftUS"),
    "no heights": lambda: build_results("m", heights=False),
    "no depths": lambda: build_results("ft", depths=False),
    "hostile": lambda: build_results("m", hostile=True),
    "lost position": lost_position_results,
    "empty": empty_results,
}


def proved(results: Results) -> Results:
    """The same job with what its checks prove."""
    return replace(results, accuracy=prove(results, ()))


@pytest.fixture(scope="session")
def prove_again() -> Callable[[Results], Results]:
    """What the checks of a changed job prove."""
    return proved


@cache
def _variant(name: str) -> Results:
    return proved(_VARIANTS[name]())


@pytest.fixture(scope="session", params=list(_VARIANTS))
def any_results(request: pytest.FixtureRequest) -> Results:
    """Each variant of the invented job in turn."""
    return _variant(request.param)


@pytest.fixture(scope="session")
def build() -> Callable[..., Results]:
    """The builder itself."""
    return build_results


@pytest.fixture(scope="session")
def metre() -> Results:
    return _variant("metre")


@pytest.fixture(scope="session")
def foot() -> Results:
    return _variant("survey foot")


@pytest.fixture(scope="session")
def hostile() -> Results:
    return _variant("hostile")


@pytest.fixture(scope="session")
def delivery(metre: Results) -> Delivery:
    return prepare(metre)
