"""Where the repository and the open data beside it lie."""

import os
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
OPEN_DATA = Path(os.environ.get("NOONMARK_OPEN_DATA") or ROOT.parent / "shared" / "open_data")
