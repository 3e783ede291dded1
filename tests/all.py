"""What must hold before a change lands: format, lint, types, arrows of imports, tests. Stops at the first fault.

`python -m tests.all` leaves out the tests marked slow, `python -m tests.all --slow` runs them alone; .ci/run does both.
"""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import ExitStack
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

IN_MEMORY = Path("/dev/shm")  # Linux: the tests' thousand small histories wait for no disk there
ROOM_BYTES = 4 * 2**30  # ours: they take 1.6 GiB


def main() -> int:
    """The exit status of the first check that fails, else 0; arguments go to pytest."""
    given = sys.argv[1:]
    is_slow = given[:1] == [SLOW]
    with ExitStack() as ends:
        folder = _folder(ends)
        of_pytest = ["--basetemp", str(folder / "tests"), *(["-m", "slow", *given[1:]] if is_slow else given)]
        checks = [
            [*check, *(of_pytest if check[0] == "pytest" else ())] for check in (CHECKS[-1:] if is_slow else CHECKS)
        ]
        # All at once, since types and tests take as long as a core needs; what they say is shown in their order.
        begun = [_begun(check, folder / f"{number}.txt", ends) for number, check in enumerate(checks)]
        for number, check in enumerate(checks):
            print(f"== {' '.join(check)}", flush=True)
            if status := _shown(begun[number], folder / f"{number}.txt"):
                return status
    return 0


def _folder(ends: ExitStack) -> Path:
    """A folder until the end, in memory where there is room."""
    has_room = IN_MEMORY.is_dir() and shutil.disk_usage(IN_MEMORY).free >= ROOM_BYTES
    made = tempfile.TemporaryDirectory(dir=IN_MEMORY if has_room else None, ignore_cleanup_errors=True)
    return Path(ends.enter_context(made))


def _begun(check: Sequence[str], output: Path, ends: ExitStack) -> subprocess.Popen[bytes]:
    """The check under way, with what it says in a file; it is ended where the checks end before it."""
    program = shutil.which(check[0], path=str(Path(sys.executable).parent)) or check[0]
    environment = {**os.environ, **(ONE_THREAD if check[0] == "pytest" else {})}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)  # each worker and each process would compile all anew
    with output.open("wb") as file:
        process = subprocess.Popen(
            [program, *check[1:]], cwd=ROOT, env=environment, stdout=file, stderr=subprocess.STDOUT
        )
    ends.callback(process.wait)
    ends.callback(process.terminate)
    return process


def _shown(process: subprocess.Popen[bytes], output: Path) -> int:
    """Its exit status, once it has ended and all that it said was shown."""
    with output.open(encoding="utf-8", errors="replace") as said:
        while True:
            has_ended = process.poll() is not None  # asked before the last look
            print(said.read(), end="", flush=True)
            if has_ended:
                return process.returncode
            time.sleep(0.1)


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # what is under way is ended too
    sys.exit(main())
