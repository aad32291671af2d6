"""Signatures of supply, motor and contactor."""
