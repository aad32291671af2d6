"""Pictures of our own as SVG: no browser and no library at run time, the same bytes from the same numbers."""
