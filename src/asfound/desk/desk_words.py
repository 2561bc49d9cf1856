"""What errors and findings say to do, in the desk's words: its pages and fields, no commands."""

from __future__ import annotations

import re

_OPTION = re.compile(r"--([a-z]+(?:-[a-z]+)*)")
_SAID = [
    (re.compile(words), said)
    for words, said in (
        # Longest first. What a command line does, where the desk does it.
        (r"Add the receiver's files: asfound add \S+ FILE", "Add the receiver's files under Files"),
        (r"; asfound decide --help shows how", ""),
        (r"asfound decisions \S+ lists them", "'Entered' lists them"),
        (r"undo it with: asfound undo\b", "take it back under 'Entered'"),
        (r"--why TEXT", "write it in the field"),
        (r" ?\([^()]*(?:in the mapping file|under \[[a-z.]+\])\)", ""),
        (r"when adding the upload: --antenna-height '1.8 m'", "on the file's page, under Files"),
        (r"with --position-accuracy", "as 'position accuracy' under Files"),
        (r"Set (?:\w+) (?:under \[[^\]]*\] )?in the mapping file, or give (--[a-z-]+)", r"Give \1"),
        (r"\bunder (\[\[\w+\]\]) in job\.toml", r"in table \1 under Settings"),
        (r"\b(?:in|from) job\.toml\b", "under Settings"),
        (r"\bjob\.toml\b", "the job's settings"),
    )
]  # fmt: skip


def in_desk_words(text: str) -> str:
    """Words for whoever sits before a browser: options as names of fields, files as pages."""
    for words, said in _SAID:
        text = words.sub(said, text)
    return _OPTION.sub(lambda match: f"'{match[1].replace('-', ' ')}'", text)
