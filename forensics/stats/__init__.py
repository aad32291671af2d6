"""Statistics that several rooms need, each once."""
