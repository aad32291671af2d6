"""Signatures of heat."""
