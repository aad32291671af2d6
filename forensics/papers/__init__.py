"""The working papers of a job: printable sheets, filled as far as the case goes, with room for a pen."""

from forensics.papers.write import Papers, make_papers

__all__ = ["Papers", "make_papers"]
