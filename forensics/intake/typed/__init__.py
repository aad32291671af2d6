"""Workbooks and columnar files: typed cells to a table."""
