"""What an exception costs per day, so far, and if it is left for a month: the one place that says so."""

from collections.abc import Mapping
from typing import Any

from pipeline.digest.model import Losses, Money

IF_LEFT_DAYS = 30  # ours: about how long a loss of energy waits for a visit


def losses_of(row: Mapping[str, Any]) -> Losses:
    """From a row of EXCEPTIONS: the mean of its days with a finding, their sum, and the sum after IF_LEFT_DAYS more."""
    days = max(row["finding_days"], 1)
    kwh, cost, currency = row["loss_kwh"] or 0.0, row["cost"] or 0.0, row["currency"] or "?"
    return Losses(
        per_day_kwh=kwh / days,
        per_day=Money(amount=cost / days, currency=currency),
        so_far_kwh=kwh,
        so_far=Money(amount=cost, currency=currency),
        if_left_kwh=kwh + kwh / days * IF_LEFT_DAYS,
        if_left=Money(amount=cost + cost / days * IF_LEFT_DAYS, currency=currency),
    )
