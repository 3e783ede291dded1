"""What must hold before a change lands: format, lint, types, arrows of imports, tests. Stops at the first fault.

`python -m tests.all` leaves out the tests marked slow, `python -m tests.all --slow` runs them alone; .ci/run does both.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
CHECKS = (
    ("ruff", "format", "--check", "."),
    ("ruff", "check", "."),
    ("mypy",),
    ("lint-imports",),
    # A module's costly fixtures are made once. Tests that wait for processes leave room for a third worker, and
    # tests/conftest.py orders the modules.
    ("pytest", "-n", "3", "--dist", "loadfile", "--no-loadscope-reorder"),
)

SLOW = "--slow"  # runs the tests marked so, which addopts in pyproject.toml leaves out, and no other check

# Each worker has one core: threads of its libraries would only wait for one another.
ONE_THREAD = dict.fromkeys(("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")


def main() -> int:
    """The exit status of the first check that fails, else 0; arguments go to pytest."""
    beside = Path(sys.executable).parent
    given = sys.argv[1:]
    is_slow = given[:1] == [SLOW]
    more_of_pytest = ["-m", "slow", *given[1:]] if is_slow else given
    for name, *arguments in CHECKS[-1:] if is_slow else CHECKS:
        program = shutil.which(name, path=str(beside)) or name
        more = more_of_pytest if name == "pytest" else []
        print(f"== {name} {' '.join([*arguments, *more])}", flush=True)
        environment = {**os.environ, **(ONE_THREAD if name == "pytest" else {})}
        environment.pop("PYTHONDONTWRITEBYTECODE", None)  # each worker and each process would compile all anew
        done = subprocess.run([program, *arguments, *more], cwd=ROOT, env=environment, check=False)
        if done.returncode:
            return done.returncode
    return 0


if __name__ == "__main__":
    sys.exit(main())
