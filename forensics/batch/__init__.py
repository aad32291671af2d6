"""Many cases, one after another or side by side: one that fails never stops the others."""

from forensics.batch.plan import BatchPlan, Job, Row
from forensics.batch.run import BatchOutcome, run_batch

__all__ = ["BatchOutcome", "BatchPlan", "Job", "Row", "run_batch"]
