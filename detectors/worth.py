"""What a missing kWh costs, and the yields of IEC 61724-1."""

from typing import Any, NamedTuple

REFERENCE_KW_M2 = 1.0  # IEC 61724-1: the irradiance of standard test conditions


class Performance(NamedTuple):
    """IEC 61724-1 (2021)."""

    reference_yield_h: float  # Yr: irradiation in the modules' plane over 1 kW/m2
    final_yield_h: float  # Yf: energy over peak capacity, kWh/kWp
    ratio: float  # PR = Yf / Yr


def performance(energy_kwh: float, installed_kwp: float, irradiation_kwh_m2: float) -> Performance:
    """The yields and the performance ratio of a span of time."""
    reference, final = irradiation_kwh_m2 / REFERENCE_KW_M2, energy_kwh / installed_kwp
    return Performance(reference, final, final / reference if reference > 0 else float("nan"))


def worth(site: dict[str, Any], pv_kwh: float, fed_in_kwh: float | None) -> float:
    """What a kWh more would have been worth that day: the house's share at the import price, the rest fed in."""
    if site["feed_in_limit_kw"] == 0:
        own_share = 1.0
    elif fed_in_kwh is None or not pv_kwh > 0:
        own_share = 0.0  # the lower of the two prices where nobody knows
    else:
        own_share = min(max(1 - fed_in_kwh / pv_kwh, 0.0), 1.0)
    return float(own_share * site["import_price"] + (1 - own_share) * site["feed_in_price"])
