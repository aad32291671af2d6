"""How the machine is built, and what the record says of it."""
