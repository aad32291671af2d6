"""Every start: inrush, settled amps, unloaded or not, and the rest before it."""
