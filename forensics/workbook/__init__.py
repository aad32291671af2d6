"""A case opened in Python: its results as DataFrames, its figures, and its report."""

from forensics.workbook.opened import Workbook, open_case
from forensics.workbook.written import Written

__all__ = ["Workbook", "Written", "open_case"]
