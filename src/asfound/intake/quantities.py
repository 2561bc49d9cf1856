"""The quantities a column can hold, with the header words that stand for them.

The words are generic words of the trade in English, German, French, Spanish and
Portuguese: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """One quantity that intake knows.

    Parameters
    ----------
    name : str
        As mapping files write it.
    title : str
        In words.
    dimension : str
        Key of `units_at_the_edge.SCALES`, or ``'words'``, ``'time'``, ``'frame'``,
        ``'hemisphere'``, ``'flag'``.
    words : tuple of str
        Header words, lower case without accents; a phrase is several words.
    shots_column : str
        Column of `Shots` it fills; empty where it is used otherwise.
    kind : str
        ``'shots'``, ``'sweeps'`` or ``'both'``.
    """

    name: str
    title: str
    dimension: str
    words: tuple[str, ...]
    shots_column: str = ""
    kind: str = "both"


def _shots(
    name: str, title: str, dimension: str, words: str, column: str | None = None
) -> Quantity:
    return Quantity(
        name, title, dimension, _split(words), name if column is None else column, "shots"
    )


def _both(name: str, title: str, dimension: str, words: str, column: str | None = None) -> Quantity:
    return Quantity(name, title, dimension, _split(words), name if column is None else column)


def _sweeps(name: str, title: str, dimension: str, words: str) -> Quantity:
    return Quantity(name, title, dimension, _split(words), "", "sweeps")


def _split(words: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in words.split("|"))


_ALL = (
    _shots(
        "longitude",
        "longitude",
        "geographic",
        "longitude|long|lon|lng|laenge|lange|laengengrad|langengrad|longitud|geo lange",
        "x",
    ),
    _shots(
        "latitude",
        "latitude",
        "geographic",
        "latitude|lat|breite|breitengrad|latitud|geo breite",
        "y",
    ),
    _shots(
        "longitude_hemisphere",
        "hemisphere letter of the longitude",
        "hemisphere",
        "ew|e w|east west|lon hemisphere|longitude hemisphere|long hemisphere|lon dir|"
        "longitude dir|lon hemi",
        "",
    ),
    _shots(
        "latitude_hemisphere",
        "hemisphere letter of the latitude",
        "hemisphere",
        "ns|n s|north south|lat hemisphere|latitude hemisphere|lat dir|latitude dir|lat hemi",
        "",
    ),
    _shots(
        "easting",
        "easting",
        "length",
        "easting|eastings|east|e|x|x coord|x coordinate|rechtswert|ost|ostwert|este|grid east|"
        "grid easting",
        "x",
    ),
    _shots(
        "northing",
        "northing",
        "length",
        "northing|northings|north|n|y|y coord|y coordinate|hochwert|nord|nordwert|norte|"
        "grid north|grid northing",
        "y",
    ),
    _shots(
        "height",
        "height of the position",
        "length",
        "ellipsoidal height|ellipsoid height|ell height|ell h|hae|height above ellipsoid|"
        "orthometric height|height|elevation|elev|altitude|alt|z|h|up|z coord|hohe|"
        "ellipsoidische hohe|altura|altitud|msl|cota|ground elevation|gnss height|ellh|"
        "antenna elevation|h ell|height ell|hoehe|rl|reduced level",
    ),
    _both(
        "time",
        "date and time",
        "time",
        "date time|datetime|timestamp|time stamp|time|utc|utc time|local time|gps time|zeit|"
        "zeitpunkt|zeitstempel|uhrzeit|hora|logged at|logged|time logged|survey time|"
        "measured at|recorded at|ortszeit|fecha hora|gnss time|heure",
    ),
    _both(
        "date", "date", "time", "date|datum|fecha|data|tag|day|survey date|utc date|local date", ""
    ),
    _both(
        "utility",
        "utility",
        "words",
        "utility|utility type|utility kind|service|facility|facility type|sparte|medium|"
        "leitungsart|type|code|feature code|feature type|colour|color|apwa|apwa colour|apwa color|"
        "utility code|utility colour|utility color|servicio|reseau|rede|kind|farbe",
    ),
    _both(
        "line",
        "line name given in the field",
        "words",
        "line|line name|line id|line no|line number|run|pipe|cable|pipe id|cable id|leitung|"
        "leitungsname|trasse|linea|feature|utility line|string|conductor",
    ),
    _both(
        "hookup",
        "hook-up",
        "words",
        "hook up|hookup|hook up point|connection|connection point|transmitter|"
        "transmitter connection|tx|anschluss|anschlusspunkt|sender|signal source|conexion",
    ),
    _both(
        "receiver",
        "receiver serial",
        "words",
        "receiver|receiver serial|receiver id|serial|serial no|serial number|rx|locator|"
        "locator serial|instrument|instrument id|instrument serial|device|device id|gerat|"
        "gerate nr|empfanger|receptor|sn|unit id",
    ),
    _shots(
        "control",
        "control point checked",
        "words",
        "control|control point|control pt|check point|checkpoint|control check|control id|"
        "benchmark|festpunkt|kontrollpunkt|cp|bm",
    ),
    _shots(
        "note",
        "note",
        "words",
        "note|notes|comment|comments|remark|remarks|description|desc|bemerkung|bemerkungen|"
        "notiz|kommentar|nota|notas|observaciones|observacoes|memo|text",
    ),
    _shots(
        "name",
        "point name",
        "words",
        "point|point name|point no|point number|point id|pt|pt no|pt id|pt name|shot|shot no|"
        "shot id|shot number|id|no|nr|number|num|#|name|fid|punkt|punkt nr|punktnummer|"
        "punktname|punto|ponto|pid|seq|record|index|locate id|locate|station",
    ),
    _both(
        "method",
        "method",
        "words",
        "method|locate method|mode|locate mode|signal mode|coupling|signal type|verfahren|"
        "methode|metodo|antenna mode|applied signal|signal method",
    ),
    _shots(
        "depth",
        "depth to the centre of the current",
        "length",
        "depth|depth reading|em depth|dep|tiefe|lagetiefe|profundidad|profundidade|prof|profondeur|"
        "depth of cover|cover|electronic depth|measured depth|depth to centre|"
        "depth to center|tiefenlage|dpth|depth to top|deckung|uberdeckung",
    ),
    _shots(
        "current",
        "current",
        "current",
        "current|signal current|curr|strom|stromstarke|corriente|corrente|amps|amperage|courant|"
        "line current|ma",
    ),
    _both(
        "frequency",
        "frequency",
        "frequency",
        "frequency|freq|locate frequency|signal frequency|frequenz|frecuencia|frequencia|"
        "frequence|khz|hz",
    ),
    _shots(
        "signal",
        "signal strength or gain",
        "decibel",
        "signal|signal strength|strength|gain|receiver gain|signal level|level|pegel|db|"
        "signalstarke|verstarkung|sig|ganancia",
    ),
    _shots(
        "peak_null_separation",
        "distance between peak and null position",
        "length",
        "peak null separation|peak null|peak null offset|peak null distance|peak to null|"
        "separation peak null|null offset|peak minus null|pn separation|pn sep|pn offset|"
        "maximum minimum abstand|null separation|peak null diff|peak null difference",
    ),
    _shots(
        "fix",
        "kind of GNSS solution",
        "words",
        "fix|fix type|fix kind|fix quality|fix status|gps fix|gnss fix|quality|gps quality|"
        "gnss quality|solution|solution type|solution status|sol|rtk status|rtk|losung|"
        "qualitat|gps status|gnss status|position quality|position type|pos type|q|"
        "losungsart|solucion|gnss mode",
    ),
    _shots(
        "satellites",
        "satellites in use",
        "count",
        "satellites|sats|sat|nsat|nsats|num sats|sat count|satellite count|sv|svs|num sv|"
        "satellites used|sats used|satelliten|satelites|no of satellites|no sats|sats in use|"
        "number of satellites|anzahl satelliten",
    ),
    _shots(
        "east_sd",
        "standard deviation, east",
        "length",
        "sd east|east sd|sd e|e sd|sigma east|sigma e|std east|std e|stdev east|stdev e|"
        "stddev east|east std|east stdev|longitude sd|lon sd|sd lon|sigma lon|std lon|"
        "easting sd|sigma easting|sd easting|x sd|sd x|sigma x|std dev e|std dev east|"
        "rms e|rms east|e error|lon std|standardabweichung ost|east sigma",
    ),
    _shots(
        "north_sd",
        "standard deviation, north",
        "length",
        "sd north|north sd|sd n|n sd|sigma north|sigma n|std north|std n|stdev north|stdev n|"
        "stddev north|north std|north stdev|latitude sd|lat sd|sd lat|sigma lat|std lat|"
        "northing sd|sigma northing|sd northing|y sd|sd y|sigma y|std dev n|std dev north|"
        "rms n|rms north|n error|lat std|standardabweichung nord|north sigma",
    ),
    _shots(
        "up_sd",
        "standard deviation, up",
        "length",
        "sd up|up sd|sd u|u sd|sigma up|sigma u|std up|std u|stdev up|stdev u|stddev up|"
        "up std|height sd|sd height|sigma height|sd h|sigma h|std h|z sd|sd z|sigma z|"
        "vertical sd|vertical accuracy|vertical precision|v acc|vacc|vrms|v rms|vprec|"
        "vertical rms|vertical error|std dev u|std dev up|alt sd|height std|rms u|rms up|"
        "elevation sd|v precision|v prec|standardabweichung hohe|up sigma|vertical std",
    ),
    _shots(
        "horizontal_sd",
        "standard deviation, horizontal",
        "length",
        "horizontal sd|horizontal accuracy|horizontal precision|h acc|hacc|hrms|h rms|hprec|"
        "horizontal rms|horizontal error|h precision|h prec|accuracy|precision|gnss accuracy|"
        "position accuracy|lagegenauigkeit|genauigkeit|2d accuracy|hz accuracy|hz precision|"
        "drms|horizontal std|eph",
        "",
    ),
    _shots("pdop", "PDOP", "ratio", "pdop"),
    _shots("hdop", "HDOP", "ratio", "hdop"),
    _shots(
        "correction_age",
        "age of the correction",
        "duration",
        "correction age|age of correction|age of corrections|corr age|diff age|age|"
        "differential age|age of differential|age of diff|dgps age|korrekturalter|"
        "alter der korrektur|rtk age|edad correccion",
    ),
    _shots(
        "base_distance",
        "distance to the base",
        "length",
        "base distance|base dist|distance to base|dist to base|baseline|baseline length|"
        "base line length|basislinie|basisentfernung|reference distance|distancia base",
    ),
    _shots(
        "antenna_height",
        "antenna above the pole's tip",
        "length",
        "antenna height|antenna ht|ant height|ant ht|pole height|pole ht|rod height|rod ht|"
        "pole length|instrument height|antennenhohe|stabhohe|hi|ah|hr|height of antenna|"
        "altura antena|target height|lotstockhohe|antenna above tip",
    ),
    _shots(
        "tilt",
        "tilt of the pole",
        "angle",
        "tilt|tilt angle|pole tilt|neigung|inclination|lean|lean angle|tilt magnitude|"
        "lotstockneigung|inclinacion",
    ),
    _shots(
        "tilt_bearing",
        "bearing towards which the pole leans",
        "angle",
        "tilt bearing|tilt direction|tilt azimuth|lean direction|lean bearing|lean azimuth|"
        "neigungsrichtung|tilt heading|direction of tilt|tilt dir|tilt az",
    ),
    _shots(
        "speed",
        "speed over ground",
        "speed",
        "speed|velocity|geschwindigkeit|sog|ground speed|speed over ground|velocidad",
    ),
    _both(
        "frame",
        "reference frame",
        "frame",
        "crs|frame|reference frame|datum|epsg|srs|coordinate system|coordinate reference system|"
        "geodetic datum|bezugssystem|coord system|reference system|srid",
        "",
    ),
    _sweeps(
        "sweep",
        "name of the sweep",
        "words",
        "sweep|sweep name|sweep id|sweep no|cross section|section|traverse|querprofil|profile",
    ),
    _sweeps(
        "position",
        "position along the tape",
        "length",
        "position|tape|tape position|offset|along tape|along|distance|chainage|tape reading|"
        "lage am band|pos|distance along tape|tape distance",
    ),
    _sweeps(
        "coil_height",
        "height of the coil above ground",
        "length",
        "coil height|sensor height|height above ground|receiver height|aerial height|"
        "spulenhohe|coil above ground",
    ),
    _sweeps(
        "coil",
        "coil orientation",
        "words",
        "coil|coil orientation|orientation|axis|coil axis|aerial|spule|component|coil direction",
    ),
    _sweeps(
        "reading",
        "reading",
        "field",
        "reading|value|amplitude|field|signal|signal strength|response|ablesung|wert|lectura|"
        "strength|level|measured",
    ),
    _sweeps(
        "saturated",
        "saturated reading",
        "flag",
        "saturated|saturation|overload|overloaded|clipped|over range|overrange|ubersteuert",
    ),
    _sweeps(
        "length",
        "tape reading at the far end",
        "length",
        "length|tape length|tape end|end tape|end position|bandlange",
    ),
    *(
        _sweeps(f"{end}_{name}", f"{title} at the tape's {at}", dimension, words)
        for end, at in (("start", "zero"), ("end", "far end"))
        for name, title, dimension, words in (
            (
                "longitude",
                "longitude",
                "geographic",
                f"{end} longitude|{end} lon|{end} long|longitude {end}|lon {end}|{end} lng",
            ),
            (
                "latitude",
                "latitude",
                "geographic",
                f"{end} latitude|{end} lat|latitude {end}|lat {end}",
            ),
            (
                "easting",
                "easting",
                "length",
                f"{end} easting|{end} east|{end} e|easting {end}|{end} x|x {end}",
            ),
            (
                "northing",
                "northing",
                "length",
                f"{end} northing|{end} north|{end} n|northing {end}|{end} y|y {end}",
            ),
            (
                "height",
                "height",
                "length",
                f"{end} height|{end} elevation|{end} h|height {end}|{end} z|z {end}|"
                f"{end} ellipsoidal height",
            ),
        )
    ),
)

QUANTITIES: dict[str, Quantity] = {quantity.name: quantity for quantity in _ALL}
"""All quantities by name."""


def quantities_of(kind: str) -> tuple[Quantity, ...]:
    """Quantities that files of a kind can hold."""
    wanted = "sweeps" if kind == "sweeps" else "shots"
    return tuple(q for q in _ALL if q.kind in (wanted, "both"))
