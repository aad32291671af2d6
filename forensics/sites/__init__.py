"""Finished cases of many sites held side by side: what they say together, and what they can't."""

from forensics.sites.gather import Collection, SiteCase, gather
from forensics.sites.run import compare_sites

__all__ = ["Collection", "SiteCase", "compare_sites", "gather"]
