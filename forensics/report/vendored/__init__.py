"""Files of others that the page carries unaltered, each with its licence."""
