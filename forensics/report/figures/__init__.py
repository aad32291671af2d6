"""Figures: one module a family, each returning :class:`Figure` objects that stand on findings and samples."""

from forensics.report.figures.figure import Figure

__all__ = ["Figure"]
