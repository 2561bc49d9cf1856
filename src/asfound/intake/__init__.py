"""Raw files in, shots out, and a report for every row that is no shot."""

from asfound.intake.guess import MappingGuess, guess_mapping
from asfound.intake.mapping import FORMATS, KINDS, OPEN, Column, Doubt, Mapping, Part
from asfound.intake.mapping_file import mapping_from_toml, mapping_to_toml
from asfound.intake.upload import Upload, join_uploads, read_upload

__all__ = [
    "FORMATS",
    "KINDS",
    "OPEN",
    "Column",
    "Doubt",
    "Mapping",
    "MappingGuess",
    "Part",
    "Upload",
    "guess_mapping",
    "join_uploads",
    "mapping_from_toml",
    "mapping_to_toml",
    "read_upload",
]
