"""What a waveform record measures: phasors, residual voltage, supply, current."""
