"""Make the pictures of docs/img anew: `python docs/pictures.py`.  Runs a scenario and photographs its report.

Needs chromium.  The pictures show a real run of `udds-weak-module`, from half a minute before its trip.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from packwarden import batch
from packwarden.views import report, words

HERE = Path(__file__).resolve().parent
SCENARIO = "udds-weak-module"
SIZE = (1000, 1330)  # as far down as the modules' voltages
BEFORE_S, AFTER_S = 32.0, 8.0
LOOKS = {"light": "1", "dark": "0"}  # chromium's numbers for the colour scheme that a person prefers


def photograph(browser: str, page: Path, picture: Path, look: str, room: Path) -> None:
    """One picture of the top of a page."""
    flags = ["--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--virtual-time-budget=3000"]
    flags += ["--user-data-dir=%s" % (room / look), "--blink-settings=preferredColorScheme=%s" % LOOKS[look]]
    flags += ["--window-size=%d,%d" % SIZE, "--screenshot=%s" % picture]
    subprocess.run([browser, *flags, page.as_uri() + PART], check=True, capture_output=True, timeout=120)


if __name__ == "__main__":
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        sys.exit("no chromium here: apt install chromium")
    outcome = batch.run(batch.load([SCENARIO], None)[0], ("in-process",), lambda what, done, total: None)
    result = outcome.results[0]
    trip = words.first_trip(result)
    if trip is None or not outcome.held:
        sys.exit("%s did not go as it should: no picture made" % SCENARIO)
    PART = "#%g,%g" % (round(trip.t_s) - BEFORE_S, round(trip.t_s) + AFTER_S)
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        page = Path(folder) / "report.html"
        page.write_text(report.report(result, words.Context(outcome.pythons[0])), encoding="utf-8")
        for look in LOOKS:
            picture = HERE / "img" / ("report-%s.png" % look)
            photograph(chromium, page, picture, look, Path(folder))
            print("pictures: %s" % picture.relative_to(HERE.parent))
