"""Signatures of a start."""
