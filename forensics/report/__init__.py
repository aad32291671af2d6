"""The report: runs a notebook with checked parameters and binds its outputs into one offline page."""

from forensics.report.running.runner import RunResult, run_report

__all__ = ["RunResult", "run_report"]
