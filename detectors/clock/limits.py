"""From how many minutes on an offset, or a change of one, is told, by the sampling interval."""

RAISE_MIN = 20.0  # smaller offsets are not told from the onsets' own error within some days
RAISE_PER_SLOW_MIN = 0.5  # per minute of sampling beyond half an hour: 35 min at 60, above half an interval
STEP_MIN = 18.0  # a change of offset that shows at 15 min sampling
STEP_PER_SLOW_MIN = 0.27  # per minute beyond 15: 22 at 30, 30 at 60 min


def raise_limit(interval: float) -> float:
    """Minutes from which an offset is told."""
    return RAISE_MIN + RAISE_PER_SLOW_MIN * max(0.0, interval - 30.0)


def step_limit(interval: float) -> float:
    """Minutes from which a change of offset is told."""
    return STEP_MIN + STEP_PER_SLOW_MIN * max(0.0, interval - 15.0)
