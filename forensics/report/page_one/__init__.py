"""Page one: the printed sheet, and what each of its parts says."""
