"""Signatures of the refrigerant circuit."""
