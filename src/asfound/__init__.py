"""asfound: from a utility locator's raw shots to a checked map that carries its uncertainty."""

__version__ = "0.1.0"
