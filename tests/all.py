"""What must hold before a change lands: format, lint, types, arrows of imports, tests. Stops at the first fault."""

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
    ("pytest", "-n", "2", "--dist", "loadfile"),  # a module's costly fixtures are made once
)


def main() -> int:
    """The exit status of the first check that fails, else 0; arguments go to pytest."""
    beside = Path(sys.executable).parent
    for name, *arguments in CHECKS:
        program = shutil.which(name, path=str(beside)) or name
        more = sys.argv[1:] if name == "pytest" else []
        print(f"== {name} {' '.join([*arguments, *more])}", flush=True)
        done = subprocess.run([program, *arguments, *more], cwd=ROOT, check=False)
        if done.returncode:
            return done.returncode
    return 0


if __name__ == "__main__":
    sys.exit(main())
