"""Lines: shots put in order, the axis through them and the envelope that holds the conductor."""

from asfound.alignment.assembly import assemble

__all__ = ["assemble"]
