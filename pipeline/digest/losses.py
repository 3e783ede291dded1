"""What an exception costs per day, so far, and if it is left for a month: the one place that says so."""

from collections.abc import Mapping
from typing import Any

from detectors.losses import MEASURED
from pipeline.digest.model import Losses, Money

IF_LEFT_DAYS = 30  # ours: about how long a loss of energy waits for a visit


def losses_of(row: Mapping[str, Any]) -> Losses:
    """From a row of EXCEPTIONS: its mean day, its sum, and the sum after IF_LEFT_DAYS more of these days."""
    kwh, cost, currency = row["loss_kwh"] or 0.0, row["cost"] or 0.0, row["currency"] or "?"
    day_kwh, day_cost = row["loss_per_day_kwh"] or 0.0, row["cost_per_day"] or 0.0
    return Losses(
        per_day_kwh=day_kwh,
        per_day=Money(amount=day_cost, currency=currency),
        so_far_kwh=kwh,
        so_far=Money(amount=cost, currency=currency),
        if_left_kwh=kwh + day_kwh * IF_LEFT_DAYS,
        if_left=Money(amount=cost + day_cost * IF_LEFT_DAYS, currency=currency),
        basis=row["loss_basis"] or MEASURED,
        at_stake_kwh=row["at_stake_kwh"] or 0.0,
    )
