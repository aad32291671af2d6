"""What every signature is made with: finding, threshold, catalogue."""
