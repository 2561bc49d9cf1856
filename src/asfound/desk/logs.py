"""What a desk's processes say on their console: the desk's own lines, and others' warnings."""

from __future__ import annotations

import logging

FORMAT = "%(asctime)s %(levelname)s %(name)s: %(message)s"


def set_up_logs() -> None:
    """Say what the desk does; of the libraries' lines only warnings and worse."""
    logging.basicConfig(level=logging.WARNING, format=FORMAT)
    logging.getLogger("asfound").setLevel(logging.INFO)
