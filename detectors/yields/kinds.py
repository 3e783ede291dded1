"""The kinds of yield faults that a case may be of, by name; each is a detector's own."""

NO_GENERATION, STRING_LOSS = "no-generation", "string-loss"
CAPACITY_MISMATCH, UNDERPERFORMANCE = "capacity-mismatch", "underperformance"
