"""The PDF read back by pypdf, and the parts it is made of."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from pypdf import PdfReader

from asfound.deliver import sweep_svg, write_outputs
from asfound.deliver.about import INVENTED
from asfound.deliver.columns import cells
from asfound.deliver.delivery import Delivery, prepare
from asfound.deliver.report import report_data
from asfound.deliver.report.facts import certainty_words, clean, undrawn
from asfound.deliver.report.labels import LabelPlaces
from asfound.deliver.report.listing import MOST_SHOTS
from asfound.deliver.report.maps import _Canvas, map_extent
from asfound.deliver.report.scales import (
    DETAIL,
    details,
    overview,
    round_step,
    scale_words,
)
from asfound.deliver.report.svg import FIGURE_WIDTH, Svg
from asfound.deliver.tables import LINES
from asfound.model import CAUTIONS, Results, Verdict

_READ: dict[int, tuple[Results, PdfReader, list[str]]] = {}


def _read(results: Results, folder: Path) -> tuple[PdfReader, list[str]]:
    """The report and its pages' text; each job's report is made once."""
    if id(results) not in _READ:
        _READ[id(results)] = (results, *_made(results, folder))
    return _READ[id(results)][1:]


def _made(results: Results, folder: Path) -> tuple[PdfReader, list[str]]:
    write_outputs(results, folder, formats=("pdf",))
    reader = PdfReader(BytesIO((folder / "report.pdf").read_bytes()))
    return reader, [_plain(page.extract_text()) for page in reader.pages]


def _plain(words: str) -> str:
    """Text without line breaks and the breaks that only the typesetting put in."""
    words = words.replace("\u200b", "").replace("\u2019", "'")
    return re.sub(r"\s+", " ", words.replace("ﬁ", "fi").replace("ﬂ", "fl").replace("ﬀ", "ff"))


def test_the_first_page_holds_facts_frame_and_all_cautions(
    any_results: Results, tmp_path: Path
) -> None:
    _, pages = _read(any_results, tmp_path)
    for caution in CAUTIONS:
        assert caution in pages[0]
    assert "NAD83(2011)" in pages[0]
    assert "Epoch 2010" in pages[0]
    assert _plain(any_results.ground.vertical_reference) in pages[0]
    assert "95 %" in pages[0]
    for word in ("sound", "doubtful", "unfit"):
        count = np.count_nonzero(any_results.verdict == Verdict[word.upper()])
        assert f"{count} {word}" in pages[0]


def test_every_page_points_to_the_cautions_and_says_if_data_are_invented(
    any_results: Results, tmp_path: Path
) -> None:
    _, pages = _read(any_results, tmp_path)
    for page in pages:
        assert "Estimates, not exact: read the cautions on page 1" in page
        assert (INVENTED in page) == any_results.settings.invented


def test_real_data_are_never_called_invented(build: Callable[..., Results], tmp_path: Path) -> None:
    _, pages = _read(build(invented=False), tmp_path)
    assert not any("DEMONSTRATION" in page for page in pages)


def test_every_shot_stands_in_the_table_with_its_verdict(foot: Results, tmp_path: Path) -> None:
    _, pages = _read(foot, tmp_path)
    table = " ".join(page for page in pages if "UTC Verdict" in page)
    verdicts = [Verdict(int(v)).word for v in foot.verdict]
    for k in range(len(foot.ground)):
        row = re.search(rf"{foot.shot_name(k)} .*?(sound|doubtful|unfit)", table)
        assert row is not None
        assert row.group(1) == verdicts[k]
        easting = foot.ground.easting[k] * 3937 / 1200
        assert f"{easting:.3f}" in row.group(0)


def test_findings_stand_with_remedy_threshold_and_basis(metre: Results, tmp_path: Path) -> None:
    _, pages = _read(metre, tmp_path)
    whole = " ".join(pages)
    for outcome in metre.findings.outcomes:
        assert outcome.rule.title in whole
        assert outcome.rule.remedy in whole
        assert outcome.rule.threshold in whole
        assert outcome.rule.basis in whole
    for rule, why in metre.findings.not_run:
        assert rule.title in whole
        assert why in whole


def test_hashes_operations_rows_and_control_are_accounted_for(
    metre: Results, tmp_path: Path
) -> None:
    _, pages = _read(metre, tmp_path)
    whole = " ".join(pages)
    for source in metre.intake.sources:
        assert source.sha256 in whole.replace(" ", "")
        assert source.file in whole
    assert metre.ground.operations[0].name in whole
    assert metre.intake.reports[0].reason in whole
    k = int(np.flatnonzero(metre.intake.shots.control.codes >= 0)[0])
    point = metre.settings.control[0]
    east = metre.ground.easting[k] - point.easting
    assert f"{metre.shot_name(k)} {point.name} {east:.3f}" in whole


@pytest.mark.parametrize(("unit", "size"), [("m", (595.28, 841.89)), ("ftUS", (612.0, 792.0))])
def test_metric_jobs_print_on_a4_and_foot_jobs_on_letter(
    build: Callable[..., Results], unit: str, size: tuple[float, float], tmp_path: Path
) -> None:
    # ISO 216: A4 is 210 x 297 mm; ANSI Letter is 8.5 x 11 in.
    reader, _ = _read(build(unit), tmp_path)
    box = reader.pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(size, abs=0.1)


def test_only_typefaces_that_come_along_are_used_and_all_are_embedded(
    metre: Results, tmp_path: Path
) -> None:
    reader, _ = _read(metre, tmp_path)
    seen = set()
    for page in reader.pages:
        for font in page["/Resources"].get("/Font", {}).values():
            name = str(font.get_object()["/BaseFont"])
            seen.add(name.split("+")[-1].split("-")[0])
            assert re.match(r"/[A-Z]{6}\+", name)  # a subset tag: embedded
    assert seen <= {"LibertinusSerif", "DejaVuSansMono", "NewCMMath"}


def test_the_date_of_the_file_is_the_jobs_day(metre: Results, tmp_path: Path) -> None:
    reader, _ = _read(metre, tmp_path)
    assert reader.metadata is not None
    assert str(reader.metadata["/CreationDate"]).startswith("D:20261120")
    assert "Invented crossing" in str(reader.metadata.title)


def test_hostile_text_is_printed_not_run(hostile: Results, tmp_path: Path) -> None:
    _, pages = _read(hostile, tmp_path)
    assert '#read("/etc/passwd") $x$ *bold* _it_ @ref <label>' in pages[0].replace("”", '"')
    assert "<script>alert(1)</script>" in pages[0]
    assert not any("root:" in page for page in pages)


def test_drawings_are_well_formed_and_stay_in_their_frame(any_results: Results) -> None:
    data = report_data(prepare(any_results))
    drawings = [m["svg"] for m in data["maps"]]
    drawings += [sweep["figure"] for sweep in data["sweeps"] if sweep["figure"]]
    drawings += [panel for line in data["line_pages"] for panel in line["panels"]]
    if len(any_results.ground):
        assert len(drawings) >= 1 + len(any_results.lines)
    for markup in drawings:
        root = ElementTree.fromstring(markup)
        width, height = (float(x) for x in root.get("viewBox", "").split()[2:])
        for text in root.iter("{http://www.w3.org/2000/svg}text"):
            assert 0 <= float(text.get("x", "nan")) <= width
            assert 0 <= float(text.get("y", "nan")) <= height
        assert "nan" not in markup
        assert "inf" not in markup.replace("inform", "")


def test_a_map_is_to_scale(delivery: Delivery) -> None:
    extent = map_extent(delivery)
    assert extent is not None
    sheet = overview(extent, {False: (170.0, 200.0), True: (250.0, 110.0)}, metric=True)
    a, b = sheet.paper(np.array([[955_000.0, 515_000.0], [955_010.0, 515_000.0]]))
    assert (b - a)[0] * sheet.denominator / 1000.0 == pytest.approx(10.0)
    assert sheet.holds(extent).all()


def test_sheets_cover_every_shot_and_hold_to_a_readable_scale(
    build: Callable[..., Results],
) -> None:
    results = build(per_line=60, extent=300.0)
    points = np.column_stack([results.ground.easting, results.ground.northing])
    extent = np.stack([points.min(axis=0), points.max(axis=0)])
    frame = (168.0, 198.0)
    whole = overview(extent, {False: frame, True: (250.0, 110.0)}, metric=True)
    sheets = details(whole, points, {False: frame}, metric=True)
    assert sheets
    assert np.any([sheet.holds(points) for sheet in sheets], axis=0).all()
    assert all(DETAIL[True] <= sheet.denominator < whole.denominator for sheet in sheets)


def test_a_typing_error_in_the_next_county_does_not_stretch_the_map(
    build: Callable[..., Results],
) -> None:
    results = build()
    stray = len(results.ground) - 1
    results.ground.easting[stray] += 50_000.0
    results.verdict[stray] = Verdict.UNFIT
    extent = map_extent(prepare(results))
    assert extent is not None
    assert (extent[1] - extent[0] < 200.0).all()
    data = report_data(prepare(results))
    assert "1 shot outside this map" in data["maps"][0]["note"]


def test_scales_and_steps_are_round() -> None:
    assert [round_step(x) for x in (0.9, 1.0, 1.1, 3.0, 6.0, 0.03)] == [1, 1, 2, 5, 10, 0.05]
    assert scale_words(250, True) == "1:250"
    # Common practice in US drawings: inches to tens of feet; 1 in = 20 ft is 1:240.
    assert scale_words(240, False) == "1 in = 20 ft (1:240)"


def test_labels_never_overlap() -> None:
    random = np.random.default_rng(5)
    places = LabelPlaces(100.0, 100.0)
    boxes = []
    for x, y in random.uniform(0, 100, (300, 2)).tolist():
        corner = places.place(x, y, 9.0, 2.0, 1.5)
        if corner is not None:
            boxes.append((*corner, corner[0] + 9.0, corner[1] + 2.0))
    assert len(boxes) > 50
    for k, a in enumerate(boxes):
        for b in boxes[:k]:
            assert a[0] >= b[2] or b[0] >= a[2] or a[1] >= b[3] or b[1] >= a[3]


def test_a_huge_job_prints_what_is_not_sound_and_points_to_the_csv(
    build: Callable[..., Results],
) -> None:
    results = build(per_line=MOST_SHOTS // 4 + 10, extent=3000.0)
    data = report_data(prepare(results))
    assert len(data["shots"]["rows"]) == np.count_nonzero(results.verdict)
    assert "shots.csv" in data["shots"]["note"]


def test_clean_text_is_one_printable_breakable_line() -> None:
    assert clean("a\n\tb\x07\u202e") == "a b\ufffd\ufffd"
    assert clean("x" * 100).replace("\u200b", "") == "x" * 100
    assert max(len(part) for part in clean("x" * 100).split("\u200b")) == 24
    assert len(clean("word " * 500)) <= 400


def test_a_check_on_control_stands_beside_what_is_allowed_and_its_verdict(
    metre: Results, prove_again: Callable[[Results], Results]
) -> None:
    known = metre.settings.control[0]
    labels = metre.intake.shots.control
    row = next(k for k in np.flatnonzero(labels.codes >= 0) if labels.word(k) == known.name)
    ground = metre.ground

    def told(east: float, up: float) -> list[str]:
        point = replace(
            known,
            easting=ground.easting[row] - east,
            northing=ground.northing[row],
            height=ground.height[row] - up,
        )
        settings = replace(metre.settings, control=(point, *metre.settings.control[1:]))
        data = report_data(prepare(prove_again(replace(metre, settings=settings))))
        name = prepare(metre).shot_names[row]
        control = next(part for part in data["proof"]["sets"] if part["kind"] == "control")
        return next(cells for cells in control["rows"] if cells[0] == name)

    exact = told(0.0, 0.0)
    assert len(exact) == 9
    assert exact[-1] == "within"
    # By simulation: 95 % of differences of both uncertainties lie in the circle and interval.
    random = np.random.default_rng(5)
    plane = metre.budget.covariance[row, :2, :2] + np.eye(2) * known.horizontal_sd**2
    radius = np.hypot(*random.multivariate_normal([0, 0], plane, 200_000).T)
    aside, upright = (float(exact[place].split()[0]) for place in (5, 7))
    assert np.mean(radius <= aside) == pytest.approx(0.95, abs=0.02)
    variance = known.vertical_sd**2 + sum(
        float(np.broadcast_to(term.up_up, len(labels))[row]) for term in metre.budget.terms
    )
    up = random.normal(0.0, np.sqrt(variance), 200_000)
    assert np.mean(np.abs(up) <= upright) == pytest.approx(0.95, abs=0.02)
    assert told(1.1 * aside, 0.0)[-1] == "outside"
    assert told(0.0, 1.1 * upright)[-1] == "outside"


def test_nothing_is_wholly_certain_and_both_distances_have_their_uncertainty(
    metre: Results,
) -> None:
    crossing = replace(
        metre.crossings[0],
        separation=0.5,
        surface_separation=0.3,
        separation_sd=0.05,
        order_certainty=1.0,
    )
    data = report_data(prepare(replace(metre, crossings=(crossing,))))
    (row,) = data["crossings"]
    # 1.96 standard deviations hold 95 % of a normal distribution.
    assert row[4:6] == ["0.50 \u00b1 0.10", "0.30 \u00b1 0.10"]
    assert row[7] == "over 99.9 %"
    assert certainty_words(0.9712) == "97.1 %"
    assert certainty_words(0.99896) == "99.9 %"


def test_a_line_tells_how_many_of_its_shots_are_doubtful_or_unfit(metre: Results) -> None:
    verdict = metre.verdict.copy()
    mine = metre.lines[0].shots
    verdict[mine] = Verdict.SOUND
    verdict[mine[:3]] = Verdict.DOUBTFUL
    verdict[mine[3]] = Verdict.UNFIT
    delivery = prepare(replace(metre, verdict=verdict))
    row = report_data(delivery)["lines"][0]
    assert row[4].endswith("\n3 doubtful\n1 unfit")
    table = cells(delivery, LINES)
    assert (table.column("doubtful")[0], table.column("unfit")[0]) == (3, 1)
    greatest = table.column("greatest_across_95")[0]
    assert row[6].split(" / ")[1] == f"{greatest:.2f}"


def test_what_matters_stands_first_and_the_long_table_last_and_upright(
    foot: Results, tmp_path: Path
) -> None:
    reader, pages = _read(foot, tmp_path)
    places = {
        str(mark.title): int(reader.get_destination_page_number(mark) or 0)
        for mark in reader.outline
        if not isinstance(mark, list)
    }
    order = ["Lines", "Findings", "How positions were computed", "Every shot"]
    assert [places[name] for name in order] == sorted(places[name] for name in order)
    last = reader.pages[places["Every shot"]].mediabox
    assert last.height > last.width
    # Every sheet of the map can be reached from the outline.
    sheets = [page for page in pages if page.find("Map: Sheet") >= 0]
    assert sum(name.startswith("Map: Sheet") for name in places) >= len(sheets) - 1
    grave = [group for group in report_data(prepare(foot))["findings"] if group["fails"]]
    for group in grave[:7]:
        assert f"{_plain(group['title'])}: {group['fails']}" in pages[0]


def test_counts_on_the_cover_read_as_words_do(
    build: Callable[..., Results], tmp_path: Path
) -> None:
    results = build()
    _, pages = _made(results, tmp_path)
    uploads = len(results.intake.sources)
    assert f"{uploads} upload{'' if uploads == 1 else 's'};" in pages[0]


def test_a_line_whose_shots_stand_in_one_spot_is_not_blown_up_and_says_so(
    metre: Results,
) -> None:
    line = metre.lines[0]
    squeeze = 0.01 / line.length
    spot = replace(
        line,
        station=line.station * squeeze,
        axis_station=line.axis_station * squeeze,
    )
    delivery = prepare(replace(metre, lines=(spot, *metre.lines[1:])))
    page = report_data(delivery)["line_pages"][0]
    assert page["remarks"][0].startswith("Its shots stand in one spot")
    ratio = re.search(r"offsets drawn ([\d.]+) times", page["panels"][0])
    assert ratio is None or float(ratio.group(1)) >= 1.0


def test_a_name_in_a_script_without_a_typeface_is_said_on_the_first_page(
    metre: Results, tmp_path: Path
) -> None:
    def first_page(name: str, folder: str) -> str:
        job = replace(metre, settings=replace(metre.settings, name=name))
        return _made(job, tmp_path / folder)[1][0]

    # Drawn: Latin with accents, Greek, Cyrillic, Hebrew, Arabic, Devanagari, Georgian.
    drawn = "\u0141\u00f3d\u017a \u0395\u03bb \u041c \u05d9 \u0627\u0644\u0645 \u092a \u10ec"
    assert "An empty box in a name" not in first_page(drawn, "drawn")
    assert "An empty box in a name" in first_page("\u672c\u753a\u901a\u308a", "boxes")
    for word in ("\ubb3c", "\u0e19", "\u0b9a", "\U0001f6b0"):
        assert undrawn(word)


def test_numbers_of_small_sheets_stay_within_their_frames(delivery: Delivery) -> None:
    extent = map_extent(delivery)
    assert extent is not None
    whole = overview(extent, {False: (168.0, 198.0), True: (250.0, 110.0)}, metric=True)
    narrow = 4.0 * whole.metres_per_mm
    sheets = tuple(
        replace(
            whole,
            title=f"Sheet {k}",
            west=whole.west + k * narrow,
            width=4.0,
            height=4.0,
        )
        for k in range(12)
    )
    drawing = Svg(200.0, 250.0)
    _Canvas(drawing, delivery, whole, 1).index(sheets)
    root = ElementTree.fromstring(drawing.markup())
    texts = [node for node in root.iter() if node.tag.endswith("text") and node.text]
    starts = [float(node.attrib["x"]) for node in texts]
    sizes = [float(node.attrib["font-size"]) for node in texts]
    for start, size, node, after in zip(starts, sizes, texts, starts[1:], strict=False):
        assert start + len(node.text or "") * FIGURE_WIDTH * size < after


def test_short_sections_follow_one_another_on_a_page(foot: Results, tmp_path: Path) -> None:
    _, pages = _read(foot, tmp_path)
    where = {
        name: next(k for k, page in enumerate(pages[1:], 1) if name in page)
        for name in ("Row accounting", "Every shot H 95 %")
    }
    assert where["Every shot H 95 %"] == where["Row accounting"]


def test_the_names_in_a_sweeps_drawing_stand_beside_the_ellipses(metre: Results) -> None:
    number = next(k for k, sweep in enumerate(metre.sweeps) if sweep.conductors)
    root = ElementTree.fromstring(sweep_svg(metre, number).decode())
    rings = [n.attrib["d"] for n in root.iter() if n.get("opacity") == "0.25"]
    names = [n for n in root.iter() if n.tag.endswith("text") and "\u00b1" in (n.text or "")]
    assert len(rings) == len(names) == len(metre.sweeps[number].conductors)
    for ring, name in zip(rings, names, strict=True):
        across = [float(word) for word in re.findall(r"-?[\d.]+", ring)][::2]
        start = float(name.attrib["x"])
        end = start + len(name.text or "") * FIGURE_WIDTH * float(name.attrib["font-size"])
        assert max(across) < start or end < min(across)
