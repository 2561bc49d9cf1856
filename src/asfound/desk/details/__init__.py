"""What the desk says of one shot, line, sweep or dig: plain records made of results.

Lengths are metres, times ISO 8601 in UTC, missing values null; the page turns lengths into the
reader's unit. Nothing here reads a file or a database.
"""

from asfound.desk.details._json import Json, number, numbers
from asfound.desk.details.digs import advice_detail, comparison_detail, dig_detail
from asfound.desk.details.finding import find_line, find_shot, find_sweep
from asfound.desk.details.findings import findings_about, findings_list
from asfound.desk.details.lines import crossing_body, line_detail
from asfound.desk.details.shots import shot_detail, shot_row, shots_page
from asfound.desk.details.sweeps import sweep_detail

__all__ = [
    "Json",
    "advice_detail",
    "comparison_detail",
    "crossing_body",
    "dig_detail",
    "find_line",
    "find_shot",
    "find_sweep",
    "findings_about",
    "findings_list",
    "line_detail",
    "number",
    "numbers",
    "shot_detail",
    "shot_row",
    "shots_page",
    "sweep_detail",
]
