"""Pages as a browser shows them: one headless start looks at a page at several widths, and says what is wrong."""

import json
import re
import shutil
import subprocess
from html import escape, unescape
from pathlib import Path

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
WIDTHS = (360, 768, 1024, 1440)  # px: a phone, a tablet, a small and a usual screen
START_S = 240  # a browser that has not answered by then is taken for missing
ASK = Path(__file__).with_name("browser_ask.js")
FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage"),
)


def find() -> str | None:
    """The browser's command, or None."""
    return next((found for name in NAMES if (found := shutil.which(name))), None)


def run(folder: Path, *arguments: str) -> str:
    """What the browser writes to standard output; `folder` is for its own files."""
    command = [str(find()), *FLAGS, f"--user-data-dir={folder / 'profile'}", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=START_S, check=True).stdout


def look(html: str, folder: Path, *, is_dark: bool = False) -> dict[str, list[str]]:
    """Width -> what is wrong there: overflow, errors of the page, and text below the contrast of WCAG 2.2 AA."""
    asking = html.replace("<head>", f"<head><script>{ASK.read_text(encoding='utf-8')}</script>", 1)
    frames = "".join(
        f'<iframe style="width: {width}px; height: 800px; border: 0" srcdoc="{escape(asking)}"></iframe>'
        for width in WIDTHS
    )
    page = folder / "look.html"
    page.write_text(
        f"""<!DOCTYPE html><meta charset="utf-8"><pre id="told"></pre>{frames}<script>
        var told = {{}};
        addEventListener("message", function (said) {{
          told[said.data.width] = said.data.wrong;
          if (Object.keys(told).length === {len(WIDTHS)}) {{
            document.getElementById("told").textContent = JSON.stringify(told);
            document.querySelectorAll("iframe").forEach(function (one) {{ one.remove(); }});
          }}
        }});</script>""",
        encoding="utf-8",
    )
    scheme = ["--blink-settings=preferredColorScheme=0"] if is_dark else ["--blink-settings=preferredColorScheme=1"]
    written = run(folder, *scheme, "--virtual-time-budget=20000", "--window-size=1500,900", "--dump-dom", page.as_uri())
    found = re.search(r'<pre id="told">(.*?)</pre>', written, re.DOTALL)
    assert found and found[1], written[:2000]
    return dict(json.loads(unescape(found[1])))


def pages_printed(page: Path, folder: Path) -> int:
    """On how many sheets of paper a page comes out."""
    target = folder / "printed.pdf"
    run(folder, f"--print-to-pdf={target}", "--no-pdf-header-footer", page.as_uri())
    return len(re.findall(rb"/Type\s*/Page\b", target.read_bytes()))
