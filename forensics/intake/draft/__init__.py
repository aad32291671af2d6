"""A first case file from exports alone."""
