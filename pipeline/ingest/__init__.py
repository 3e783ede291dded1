"""Files: arrivals, the choice of a profile, the order of transactions."""
