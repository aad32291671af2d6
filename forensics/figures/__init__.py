"""Figures: one module a family, each returning :class:`Plate` objects that stand on findings and samples."""

from forensics.figures.plate import Plate

__all__ = ["Plate"]
