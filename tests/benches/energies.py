"""Energies of real days with faults put in, against the days as they were.

`python -m tests.benches.energies`: four inverters of the open data, all their whole days; three spikes, three
placeholders and three lost rows a day, hours lost or frozen on half of the days.
"""

import polars as pl

from tests.support.spoiled_days import errors, reported, summed, whole_days

MIN_COVERAGE_PCT = 95.0
SITES = {"res_7kw": 7.0, "com_30kw": 32.0, "res_5kw": 5.0, "res_7kw_b": 7.0}  # their highest values, kW
SURE_PCT = 0.25


HEAD = """
| inverter | days covered > 95 % | error, 90 % / worst (%) | sure days | worst (%) | with a counter, all | worst (%) |
| --- | --- | --- | --- | --- | --- | --- |
"""


def main() -> None:
    """Prints a table; a day is sure where one sigma of what was bridged is SURE_PCT of its energy at most."""
    print(HEAD.strip())
    for name, kw in SITES.items():
        table = whole_days(400, name, min_peak_w=200 * kw)
        site = {"inverter_kw": kw, "installed_kwp": 1.1 * kw}
        plain = errors(table, summed(reported(table), **site)[0]).filter(pl.col("coverage_pct") > MIN_COVERAGE_PCT)
        sure = plain.filter(pl.col("pv_uncertainty_pct") <= SURE_PCT)
        counted = errors(table, summed(reported(table, with_counter=True), **site)[0])
        error = 100 * plain["error"]
        print(
            f"| {name} | {plain.height} | {error.quantile(0.9):.2f} / {error.max():.2f} | {sure.height} "
            f"| {100 * sure['error'].max():.2f} | {counted.height} | {100 * counted['error'].max():.2f} |"
        )


if __name__ == "__main__":
    main()
