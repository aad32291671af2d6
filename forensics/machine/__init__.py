"""What the machine did: runs, states, starts, stops, commands, and how it usually does it."""
