"""A job on disk: its folder, its settings, its uploads, and the whole way from raw to results."""

from asfound.folder.decisions import (
    Decided,
    Undone,
    add_decision,
    decisions_text,
    list_decisions,
    read_decisions,
    shot_keys,
    undo_decision,
)
from asfound.folder.dig_files import AddedDigs, DigFile, add_dig_file, read_dig_file
from asfound.folder.digs import digs_beside, no_digs, read_dig_plan
from asfound.folder.jobs import (
    NoShotsError,
    frame_trouble,
    new_job,
    process_job,
    read_intake,
    run_job,
)
from asfound.folder.layout import JobFolder, open_job, plain_name
from asfound.folder.plan import read_plan
from asfound.folder.repeats import add_repeat, read_repeats
from asfound.folder.settings import read_settings, settings_from_tree, settings_text
from asfound.folder.stakeout import (
    parse_spacing,
    read_stakeouts,
    stakeouts_text,
    store_stakeout,
)
from asfound.folder.uploads import (
    Added,
    UploadRecord,
    add_upload,
    list_uploads,
    mapping_file,
    raw_row,
    read_mapping,
    read_record,
    tag_of,
)

__all__ = [
    "Added",
    "AddedDigs",
    "Decided",
    "DigFile",
    "JobFolder",
    "NoShotsError",
    "Undone",
    "UploadRecord",
    "add_decision",
    "add_dig_file",
    "add_repeat",
    "add_upload",
    "decisions_text",
    "digs_beside",
    "frame_trouble",
    "list_decisions",
    "list_uploads",
    "mapping_file",
    "new_job",
    "no_digs",
    "open_job",
    "parse_spacing",
    "plain_name",
    "process_job",
    "raw_row",
    "read_decisions",
    "read_dig_file",
    "read_dig_plan",
    "read_intake",
    "read_mapping",
    "read_plan",
    "read_record",
    "read_repeats",
    "read_settings",
    "read_stakeouts",
    "run_job",
    "settings_from_tree",
    "settings_text",
    "shot_keys",
    "stakeouts_text",
    "store_stakeout",
    "tag_of",
    "undo_decision",
]
