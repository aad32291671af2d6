"""Runs a notebook on a case, and says why where it did not finish."""
