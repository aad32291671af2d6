"""Waveform records of IEEE C37.111: bytes to samples."""
