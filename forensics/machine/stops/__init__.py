"""Every stop: how the run ended, how pressures equalised, whether the bypass opened and the rotors turned back."""
