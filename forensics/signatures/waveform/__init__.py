"""Signatures in waveform records."""
