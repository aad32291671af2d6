"""Results as one set: written, put in place whole, kept beside an earlier one."""
