"""Signatures of a coast-down."""
