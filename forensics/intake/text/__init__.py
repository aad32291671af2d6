"""Delimited text: bytes to a table."""
