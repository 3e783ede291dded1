"""Sums of money and counts, as the digest writes them."""

from collections import defaultdict
from collections.abc import Iterable

from pipeline.counted import counted
from pipeline.digest.model import Money


def money_by_currency(parts: Iterable[Money]) -> list[Money]:
    """One sum per currency, the largest first; currencies are never added up."""
    sums: dict[str, float] = defaultdict(float)
    for part in parts:
        sums[part.currency] += part.amount
    return [Money(amount=a, currency=c) for c, a in sorted(sums.items(), key=lambda item: (-item[1], item[0]))]


def money_text(parts: Iterable[Money]) -> str:
    """Such as `12.30 EUR + 4.00 CHF`."""
    return " + ".join(str(money) for money in money_by_currency(parts) if money.amount >= 0.005) or "nothing"


def count(number: int, noun: str, plural: str | None = None) -> str:
    """`1 site`, `2 sites`."""
    return counted(number, noun, plural, marks=",")
