"""asfound: from a utility locator's raw shots to a checked map that carries its uncertainty."""
