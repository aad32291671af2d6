"""Signatures of vibration."""
