"""What everybody shares: words, units, points, the record of a case, findings."""
