"""Simulate the neighbour prior again and write the distortion tables (about ten seconds).

    python docs/explanation/make_distortion_table.py

Needed after a change of the prior, of the field or of the depth method; a test says when.
"""

from pathlib import Path

from asfound.em._distortion_calibration import calibrate_distortion, table_source

TARGET = Path(__file__).parents[2] / "src/asfound/em/_distortion_table.py"

if __name__ == "__main__":
    TARGET.write_text(table_source(calibrate_distortion()), encoding="utf-8")
