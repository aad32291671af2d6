"""From a table to the points of a case."""
