"""A table as it was read: dialect, headers, records, values."""
