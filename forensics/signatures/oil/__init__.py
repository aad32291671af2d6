"""Signatures of the oil."""
