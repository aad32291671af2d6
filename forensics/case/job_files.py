"""Which files the tables of the job name."""

from __future__ import annotations

from forensics.case.job import JobTables


def job_files(job: JobTables) -> tuple[tuple[str, str, str], ...]:
    """Path, kind and key of every file that the tables of the job name."""
    named: list[tuple[str, str, str]] = []
    for n, held in enumerate(job.hold, start=1):
        named += [(path, "document", f"hold[{n}].file") for path in held.file]
    for n, asked in enumerate(job.request, start=1):
        named += [(path, "document", f"request[{n}].file") for path in asked.file]
    for table, rows in (("test", job.test), ("part", job.part)):
        for n, row in enumerate(rows, start=1):
            named += [(path, "photograph", f"{table}[{n}].photo") for path in row.photo]
            named += [(path, "document", f"{table}[{n}].document") for path in row.document]
    for n, sample in enumerate(job.sample, start=1):
        named += [(path, "document", f"sample[{n}].document") for path in sample.document]
    if job.follow_up is not None:
        named.append((job.follow_up.findings, "earlier findings", "follow_up.findings"))
    for n, item in enumerate(job.custody, start=1):
        named += [(path, "document", f"custody[{n}].file") for path in item.file]
    return tuple(named)
