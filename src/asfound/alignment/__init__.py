"""Lines: shots put in order, the axis through them and the envelope that holds the conductor."""

from asfound.alignment.assembly import assemble
from asfound.alignment.crossings import find_crossings
from asfound.alignment.fit import fit_lines

__all__ = ["assemble", "find_crossings", "fit_lines"]
