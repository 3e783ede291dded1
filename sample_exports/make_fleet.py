"""Makes the invented fleet again: register, exports and the table of what was planted.

    python sample_exports/make_fleet.py [--out DIR]

The same bytes come out on every run. Profiles, README.md and noonmark.toml are written by hand and stay as they are.
"""

import argparse
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from tests.simulation.sample_fleet.make import make_fleet  # noqa: E402 - found only once the path is set

if __name__ == "__main__":
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("--out", type=Path, default=HERE, help="the folder to write to (default: this one)")
    make_fleet(arguments.parse_args().out)
