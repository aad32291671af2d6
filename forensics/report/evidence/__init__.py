"""Evidence as it is shown: raw lines, photographs, what the teardown found, the job."""
