"""Signatures of the slide valve."""
