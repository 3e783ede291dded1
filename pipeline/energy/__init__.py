"""From readings to energies: site-days, counters, discharge."""
