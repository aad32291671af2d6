"""Figures: one module a family, each returning :class:`Plate` objects that stand on findings and samples."""

from forensics.report.figures.figure import Plate

__all__ = ["Plate"]
