"""When each row of an export was: order, zone, duplicates, clocks that stood wrong."""
