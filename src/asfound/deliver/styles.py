"""Layer styles for GIS: QML and OGC SLD 1.1, one rule a utility and verdict.

Colour says the utility. Shape says the verdict: full, open or struck-through tick across the
line for a shot; full, dashed or dotted stroke for a line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from xml.sax.saxutils import quoteattr

from asfound.deliver.symbols import colour, hex_colour
from asfound.model import Utility, Verdict

_KINDS = {
    "shots": "marker",
    "lines": "line",
    "envelopes": "fill",
    "crossings": "marker",
    "sweeps": "line",
    "quality_levels": "line",
    "conductors": "marker",
    "digs": "fill",
    "tolerance_zones": "fill",
    "approaches": "line",
    "exposures": "marker",
    "hole_advice": "marker",
}
_PLAIN = {
    "crossings": "crossing",
    "sweeps": "sweep",
    "quality_levels": "proposed quality level",
    "conductors": "conductor under a sweep",
    "digs": "planned dig",
    "tolerance_zones": "tolerance zone",
    "approaches": "nearest approach",
    "exposures": "exposure",
    "hole_advice": "where to expose",
}


def _classes(layer: str) -> Iterator[tuple[str, Utility, Verdict]]:
    """Label, utility and verdict of each class of a layer."""
    if layer in _PLAIN:
        yield _PLAIN[layer], Utility.UNKNOWN, Verdict.SOUND
        return
    for utility in Utility:
        for verdict in Verdict:
            yield f"{utility.word}, {verdict.word}", utility, verdict


# --- QML ----------------------------------------------------------------------------------------


def _properties(values: dict[str, str]) -> str:
    return "".join(f"<prop k={quoteattr(k)} v={quoteattr(v)}/>" for k, v in values.items())


def _data_defined(name: str, expression: str) -> str:
    return (
        '<data_defined_properties><Option type="Map">'
        '<Option type="QString" name="name" value=""/>'
        f'<Option type="Map" name="properties"><Option type="Map" name="{name}">'
        '<Option type="bool" name="active" value="true"/>'
        f'<Option type="QString" name="expression" value={quoteattr(expression)}/>'
        '<Option type="int" name="type" value="3"/></Option></Option>'
        '<Option type="QString" name="type" value="collection"/>'
        "</Option></data_defined_properties>"
    )


def _layer(kind: str, values: dict[str, str], extra: str = "") -> str:
    body = _properties(values) + extra
    return f'<layer class="{kind}" enabled="1" locked="0" pass="0">{body}</layer>'


_ACROSS = 'coalesce("line_bearing_deg", 0) + 90'


def _qml_shot(utility: Utility, verdict: Verdict) -> str:
    rgb = ",".join(str(part) for part in colour(utility).rgb)
    tick = _layer(
        "EllipseMarker",
        {
            "symbol_name": "rectangle",
            "symbol_width": "0.8",
            "symbol_height": "4",
            "size_unit": "MM",
            "color": f"{rgb},{0 if verdict is Verdict.DOUBTFUL else 255}",
            "outline_color": f"{rgb},255",
            "outline_width": "0.26",
            "outline_style": "solid",
        },
        _data_defined("angle", _ACROSS),
    )
    if verdict is not Verdict.UNFIT:
        return tick
    stroke = _layer(
        "SimpleMarker",
        {
            "name": "line",
            "size": "4",
            "size_unit": "MM",
            "color": f"{rgb},255",
            "outline_color": f"{rgb},255",
            "outline_width": "0.4",
        },
        _data_defined("angle", f"{_ACROSS} + 45"),
    )
    return tick + stroke


def _qml_line(utility: Utility, verdict: Verdict) -> str:
    rgb = ",".join(str(part) for part in colour(utility).rgb)
    dash = {Verdict.SOUND: "solid", Verdict.DOUBTFUL: "dash", Verdict.UNFIT: "dot"}[verdict]
    return _layer(
        "SimpleLine",
        {
            "line_color": f"{rgb},255",
            "line_width": "0.6",
            "line_width_unit": "MM",
            "line_style": dash,
            "capstyle": "flat",
            "joinstyle": "round",
        },
    )


def _qml_envelope(utility: Utility, verdict: Verdict) -> str:
    rgb = ",".join(str(part) for part in colour(utility).rgb)
    dash = {Verdict.SOUND: "solid", Verdict.DOUBTFUL: "dash", Verdict.UNFIT: "dot"}[verdict]
    return _layer(
        "SimpleFill",
        {
            "color": f"{rgb},50",
            "style": "solid",
            "outline_color": f"{rgb},160",
            "outline_style": dash,
            "outline_width": "0.2",
            "outline_width_unit": "MM",
        },
    )


def _qml_crossing(utility: Utility, verdict: Verdict) -> str:
    return _layer(
        "SimpleMarker",
        {
            "name": "circle",
            "size": "4",
            "size_unit": "MM",
            "color": "0,0,0,0",
            "outline_color": "40,40,40,255",
            "outline_width": "0.3",
        },
    )


def _qml_conductor(utility: Utility, verdict: Verdict) -> str:
    return _layer(
        "SimpleMarker",
        {
            "name": "diamond",
            "size": "2.4",
            "size_unit": "MM",
            "color": "255,255,255,255",
            "outline_color": "40,40,40,255",
            "outline_width": "0.3",
        },
    )


def _plain_fill(rgba: str, outline: str, dash: str) -> str:
    return _layer(
        "SimpleFill",
        {
            "color": rgba,
            "style": "solid",
            "outline_color": outline,
            "outline_style": dash,
            "outline_width": "0.35",
            "outline_width_unit": "MM",
        },
    )


def _qml_dig(utility: Utility, verdict: Verdict) -> str:
    # White is the colour of planned excavation (APWA), so the outline has to be dark.
    return _plain_fill("255,255,255,160", "40,40,40,255", "solid")


def _qml_zone(utility: Utility, verdict: Verdict) -> str:
    return _plain_fill("120,120,120,40", "90,90,90,200", "dash")


def _qml_approach(utility: Utility, verdict: Verdict) -> str:
    return _layer(
        "SimpleLine",
        {
            "line_color": "40,40,40,255",
            "line_width": "0.5",
            "line_width_unit": "MM",
            "line_style": "solid",
        },
    )


def _qml_mark(name: str, fill: str) -> str:
    return _layer(
        "SimpleMarker",
        {
            "name": name,
            "size": "3",
            "size_unit": "MM",
            "color": fill,
            "outline_color": "40,40,40,255",
            "outline_width": "0.4",
        },
    )


def _qml_exposure(utility: Utility, verdict: Verdict) -> str:
    return _qml_mark("square", "40,40,40,255")


def _qml_advice(utility: Utility, verdict: Verdict) -> str:
    return _qml_mark("square", "255,255,255,255")


_QML: dict[str, Callable[[Utility, Verdict], str]] = {
    "shots": _qml_shot,
    "lines": _qml_line,
    "envelopes": _qml_envelope,
    "crossings": _qml_crossing,
    "sweeps": _qml_line,
    "quality_levels": _qml_line,
    "conductors": _qml_conductor,
    "digs": _qml_dig,
    "tolerance_zones": _qml_zone,
    "approaches": _qml_approach,
    "exposures": _qml_exposure,
    "hole_advice": _qml_advice,
}


def qml(layer: str) -> str:
    """Style of a layer for the desktop GIS that reads QML."""
    rules, symbols = [], []
    for key, (label, utility, verdict) in enumerate(_classes(layer)):
        wanted = f"\"utility\" = '{utility.word}' AND \"verdict\" = '{verdict.word}'"
        where = "" if layer in _PLAIN else f" filter={quoteattr(wanted)}"
        rules.append(f'<rule key="r{key}" symbol="{key}" label={quoteattr(label)}{where}/>')
        symbols.append(
            f'<symbol type="{_KINDS[layer]}" name="{key}" alpha="1" clip_to_extent="1" '
            f'force_rhr="0">{_QML[layer](utility, verdict)}</symbol>'
        )
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>"
        '<qgis version="3.16.0" styleCategories="Symbology">'
        '<renderer-v2 type="RuleRenderer" symbollevels="0" enableorderby="0" forceraster="0">'
        f'<rules key="all">{"".join(rules)}</rules><symbols>{"".join(symbols)}</symbols>'
        "</renderer-v2></qgis>"
    )


# --- SLD ----------------------------------------------------------------------------------------


def _stroke(rgb: str, width: str, dash: str = "", opacity: str = "1") -> str:
    dashes = f'<se:SvgParameter name="stroke-dasharray">{dash}</se:SvgParameter>' if dash else ""
    return (
        f'<se:Stroke><se:SvgParameter name="stroke">{rgb}</se:SvgParameter>'
        f'<se:SvgParameter name="stroke-width">{width}</se:SvgParameter>'
        f'<se:SvgParameter name="stroke-opacity">{opacity}</se:SvgParameter>{dashes}</se:Stroke>'
    )


def _fill(rgb: str, opacity: str) -> str:
    return (
        f'<se:Fill><se:SvgParameter name="fill">{rgb}</se:SvgParameter>'
        f'<se:SvgParameter name="fill-opacity">{opacity}</se:SvgParameter></se:Fill>'
    )


_DASHES = {Verdict.SOUND: "", Verdict.DOUBTFUL: "6 3", Verdict.UNFIT: "1 3"}


def _sld_symbol(layer: str, utility: Utility, verdict: Verdict) -> str:
    rgb = hex_colour(utility)
    if layer in ("digs", "tolerance_zones"):
        fill, dash = (("#ffffff", ""), ("#787878", "6 3"))[layer == "tolerance_zones"]
        outline = _stroke("#282828", "1", dash)
        return f"<se:PolygonSymbolizer>{_fill(fill, '0.4')}{outline}</se:PolygonSymbolizer>"
    if layer == "approaches":
        return f"<se:LineSymbolizer>{_stroke('#282828', '2')}</se:LineSymbolizer>"
    if layer in ("lines", "sweeps", "quality_levels"):
        return f"<se:LineSymbolizer>{_stroke(rgb, '2', _DASHES[verdict])}</se:LineSymbolizer>"
    if layer == "envelopes":
        outline = _stroke(rgb, "0.7", _DASHES[verdict], "0.6")
        return f"<se:PolygonSymbolizer>{_fill(rgb, '0.2')}{outline}</se:PolygonSymbolizer>"
    if layer in _PLAIN:
        shape = {"crossings": "circle", "conductors": "star"}.get(layer, "square")
        fill, rgb = _fill("#ffffff", "0"), "#282828"
    elif verdict is Verdict.UNFIT:
        shape, fill = "x", _fill(rgb, "1")
    else:
        shape, fill = "square", _fill(rgb, "1" if verdict is Verdict.SOUND else "0")
    turn = (
        ""
        if layer in _PLAIN
        else "<se:Rotation><ogc:PropertyName>line_bearing_deg</ogc:PropertyName></se:Rotation>"
    )
    return (
        "<se:PointSymbolizer><se:Graphic><se:Mark>"
        f"<se:WellKnownName>{shape}</se:WellKnownName>{fill}{_stroke(rgb, '1')}"
        f"</se:Mark><se:Size>8</se:Size>{turn}</se:Graphic></se:PointSymbolizer>"
    )


def sld(layer: str) -> str:
    """Style of a layer as OGC Styled Layer Descriptor 1.1 with Symbology Encoding 1.1."""
    rules = []
    for label, utility, verdict in _classes(layer):
        equals = "".join(
            f"<ogc:PropertyIsEqualTo><ogc:PropertyName>{name}</ogc:PropertyName>"
            f"<ogc:Literal>{word}</ogc:Literal></ogc:PropertyIsEqualTo>"
            for name, word in (("utility", utility.word), ("verdict", verdict.word))
        )
        where = "" if layer in _PLAIN else (f"<ogc:Filter><ogc:And>{equals}</ogc:And></ogc:Filter>")
        rules.append(
            f"<se:Rule><se:Name>{label}</se:Name>{where}"
            f"{_sld_symbol(layer, utility, verdict)}</se:Rule>"
        )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" version="1.1.0" '
        'xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc">'
        f"<NamedLayer><se:Name>{layer}</se:Name><UserStyle><se:FeatureTypeStyle>"
        f"{''.join(rules)}</se:FeatureTypeStyle></UserStyle></NamedLayer>"
        "</StyledLayerDescriptor>"
    )
