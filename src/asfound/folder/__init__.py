"""A job on disk: its folder, its settings, its uploads, and the whole way from raw to results."""

from asfound.folder.digs import read_digs
from asfound.folder.jobs import (
    NoShotsError,
    frame_trouble,
    new_job,
    process_job,
    read_intake,
    run_job,
)
from asfound.folder.layout import JobFolder, open_job, plain_name, write_whole
from asfound.folder.settings import read_settings, settings_from_tree, settings_text
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
    "JobFolder",
    "NoShotsError",
    "UploadRecord",
    "add_upload",
    "frame_trouble",
    "list_uploads",
    "mapping_file",
    "new_job",
    "open_job",
    "plain_name",
    "process_job",
    "raw_row",
    "read_digs",
    "read_intake",
    "read_mapping",
    "read_record",
    "read_settings",
    "run_job",
    "settings_from_tree",
    "settings_text",
    "tag_of",
    "write_whole",
]
