"""Which days are due, and the detectors run over them."""
