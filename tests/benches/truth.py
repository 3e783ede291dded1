"""One table of what the pipeline finds, misses and says wrongly in a simulated fleet whose truth is known.

python -m tests.benches.truth [--sites N --days D --seed S --start DATE --minutes M] [--kinds a,b | --family F]
                              [--hemisphere north|south|both] [--light] [--faulty SHARE] [--explain] [--save FILE]
python -m tests.benches.truth --pool FILE ... [--markdown]

The seed is new each time unless given, and is printed. The workspace is temporary; every export goes the pipeline's
own way (inbox, taking in, the night's detection, exceptions), day by day.
"""

import argparse
import secrets
import tempfile
import time
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from tests.benches.explain import explain
from tests.benches.figures import figures
from tests.benches.living import live_through
from tests.benches.living_yields import live_through as yields_through
from tests.benches.living_yields import read_in
from tests.benches.scoring import Score, load, score
from tests.benches.table import table
from tests.simulation.faults import FORMS, KINDS
from tests.simulation.fleet import FAULTY_SHARE, make_fleet

START = date(2026, 3, 1)
LIGHT_FAULTY = 0.2  # all of them of yield: neighbours have to be healthy, most of them


def main(arguments: Sequence[str] | None = None) -> None:
    """Prints the table."""
    args = _parse(arguments)
    if args.pool:
        fleets = [load(path) for path in args.pool]
        if args.markdown:
            print(figures(fleets))
            return
        together = Score()
        for fleet in fleets:
            together.add(fleet)
        print(table(together))
        return
    seed = args.seed if args.seed is not None else secrets.randbelow(10**6)
    print(f"seed {seed}: {args.sites} sites x {args.days} days from {args.start}, {args.hemisphere}", flush=True)
    begin = time.monotonic()
    faulty = args.faulty or (LIGHT_FAULTY if args.light else FAULTY_SHARE)
    fleet = make_fleet(
        seed, sites=args.sites, days=args.days, first=args.start, minutes=args.minutes, kinds=_kinds(args),
        hemisphere=args.hemisphere, step_pct=args.step, faulty=faulty,
    )  # fmt: skip
    simulated = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "workspace"
        lived = yields_through(fleet, read_in(fleet, place)).lived if args.light else live_through(fleet, place)
    result = score(fleet, lived)
    print(f"{simulated - begin:.0f} s to simulate, {time.monotonic() - simulated:.0f} s to live through; "
          f"{lived.rows} rows, {lived.rejected} rejected, {len(lived.quarantined)} files in quarantine\n")  # fmt: skip
    print(table(result))
    if args.save:
        result.save(args.save)
    if args.explain:
        print(explain(fleet, lived, result))


def _parse(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benches.truth", description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=60)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--start", type=date.fromisoformat, default=START)
    parser.add_argument("--minutes", type=int, choices=(1, 5, 10, 15, 30, 60))
    parser.add_argument("--kinds", help="only faults of these kinds, set apart by commas")
    parser.add_argument("--family", choices=sorted({form.family for form in FORMS.values()}))
    parser.add_argument("--hemisphere", choices=("north", "south", "both"), default="both")
    parser.add_argument("--light", action="store_true", help="the yield engine alone, in a fifth of the time")
    parser.add_argument(
        "--step",
        type=float,
        metavar="PCT",
        help="with --light: all faults are falls of this size in the middle of the span",
    )
    parser.add_argument("--faulty", type=float, metavar="SHARE", help="of the sites; else 0.45, with --light 0.2")
    parser.add_argument("--explain", action="store_true")
    parser.add_argument("--save", type=Path, metavar="FILE", help="keeps the rows behind the table")
    parser.add_argument("--pool", type=Path, nargs="+", metavar="FILE", help="one table of rows that were saved")
    parser.add_argument("--markdown", action="store_true", help="with --pool: as DEVELOPERS.md shows it")
    return parser.parse_args(arguments)


def _kinds(args: argparse.Namespace) -> Sequence[str]:
    if args.kinds:
        wanted = args.kinds.split(",")
        if unknown := set(wanted) - set(KINDS):
            raise SystemExit(f"unknown kinds: {', '.join(sorted(unknown))}; known are {', '.join(KINDS)}")
        return wanted
    if args.step:
        return ["underperformance"]
    if args.light:
        return [kind for kind, form in FORMS.items() if form.family == "yield"]
    if args.family:
        return [kind for kind, form in FORMS.items() if form.family == args.family]
    return KINDS


if __name__ == "__main__":
    main()
