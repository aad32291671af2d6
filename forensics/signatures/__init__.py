"""Named patterns: one file a family, each detector a pure function from a Subject to findings."""
