"""Signatures of sensors that disagree."""
