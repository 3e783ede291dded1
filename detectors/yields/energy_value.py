"""What a missing kWh costs, and what its yields are measured against."""

from typing import Any


def worth(site: dict[str, Any], pv_kwh: float, fed_in_kwh: float | None) -> float:
    """What a kWh more would have been worth that day: the house's share at the import price, the rest fed in."""
    if site["feed_in_limit_kw"] == 0:
        own_share = 1.0
    elif fed_in_kwh is None or not pv_kwh > 0:
        own_share = 0.0  # the lower of the two prices where nobody knows
    else:
        own_share = min(max(1 - fed_in_kwh / pv_kwh, 0.0), 1.0)
    return float(own_share * site["import_price"] + (1 - own_share) * site["feed_in_price"])
