"""Signatures of the sequence of commands."""
