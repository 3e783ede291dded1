"""What a morning's page costs by the size of the fleet: `python -m tests.benches.digest [--sites 20 1000 10000]`.

Eight sites of a hundred have an exception, a tenth of these urgent (ours: a bad morning). Facts, page, text, JSON and
mail are made from frames; reading them from a history is not in it. Prints one row a size.
"""

import argparse
import time
from datetime import timedelta
from types import SimpleNamespace

from pipeline.digest import DigestFacts, to_html, to_json, to_text
from pipeline.digest.mail import compose, to_mail_html
from pipeline.digest.page import first_today
from tests.support import digest_facts
from tests.support.digest_facts import DAY, finding, morning

EXCEPTIONS = 0.08
KINDS = ("unexpected-export", "underperformance", "time-zone-wrong", "voltage-out-of-band")
MAIL = SimpleNamespace(sender="desk@example.org", recipients=["ann@example.org"])


def facts_of(count: int) -> DigestFacts:
    """The facts of a fleet of `count` sites."""
    rows = []
    for number in range(max(round(EXCEPTIONS * count), 1)):
        site, kind = f"S{number * 12 % count}", KINDS[number % len(KINDS)]
        severity = "urgent" if number % 10 == 0 else "watch" if kind == "voltage-out-of-band" else "soon"
        at = [str(DAY - timedelta(days=ago)) for ago in range(13, -1, -1)]
        values = [5.0 - 0.1 * n for n in range(14)]
        series = [{"name": "made", "unit": "kWh", "role": "measured", "at": at, "values": values}]
        rows += [finding(site, kind, ago, severity=severity, evidence={"series": series}) for ago in range(3)]
    return morning(rows, register=digest_facts.sites(count), days=digest_facts.site_days(count))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, nargs="+", default=[20, 1000, 10000])
    print("| sites | exceptions | facts s | page s | page kB | text kB | JSON kB | mail body kB | mail kB |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for count in parser.parse_args().sites:
        started = time.process_time()
        facts = facts_of(count)
        folded = time.process_time()
        page = to_html(facts)
        drawn = time.process_time()
        body = to_mail_html(facts, first_today(facts.exceptions))
        sizes = [len(text.encode()) / 1000 for text in (page, to_text(facts), to_json(facts), body)]
        sizes.append(len(compose(facts, MAIL).as_bytes()) / 1000)
        cells = [f"{count:,}", f"{len(facts.exceptions):,}", f"{folded - started:.2f}", f"{drawn - folded:.2f}"]
        cells += [f"{size:,.0f}" for size in sizes]
        print(f"| {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    main()
