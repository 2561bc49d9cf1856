"""What can be done to a job: checked first, then written to its ledger, then processed.

Pages and API call the same functions, so that nothing can be done by one that the other refuses.
"""

from asfound.desk.actions.common import Done, process, reason
from asfound.desk.actions.decisions import decide, undo
from asfound.desk.actions.jobs import (
    add_control,
    change_settings,
    checked_settings,
    create_job,
    create_job_of_text,
    new_settings,
)
from asfound.desk.actions.plan import choose_stakeout, draw_dig, remove_dig
from asfound.desk.actions.uploads import (
    WORKER,
    add_upload,
    change_mapping,
    display_name,
    find_upload,
    post_shots,
    read_by,
    remove_upload,
    seal_batches,
)

__all__ = [
    "WORKER",
    "Done",
    "add_control",
    "add_upload",
    "change_mapping",
    "change_settings",
    "checked_settings",
    "choose_stakeout",
    "create_job",
    "create_job_of_text",
    "decide",
    "display_name",
    "draw_dig",
    "find_upload",
    "new_settings",
    "post_shots",
    "process",
    "read_by",
    "reason",
    "remove_dig",
    "remove_upload",
    "seal_batches",
    "undo",
]
