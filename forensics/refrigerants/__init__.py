"""Refrigerants: names, saturation curves, properties."""
