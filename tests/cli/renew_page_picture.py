"""Write the README's picture of the example's page anew: run it after an intended change, then look at it.

It takes chromium, and the fonts of the machine show in it; so no test compares it pixel by pixel.
"""

import sys
import tempfile
import time
from pathlib import Path

TOP = Path(__file__).parents[2]
JOB, OPERATION = TOP / "examples" / "mast_cap.toml", 1
PICTURE = TOP / "examples" / "sheets" / "mast_cap-page.png"
WIDE, HIGH = 1280, 760


def _renew() -> None:
    sys.path.insert(0, str(Path(__file__).parent / "page"))
    from chromium import Chromium  # beside the tests of the page

    from tiltwright.job.evaluate import evaluate_job
    from tiltwright.page.assemble import setup_html
    from tiltwright.page.contract import setup_page

    evaluated = evaluate_job(str(JOB))
    browser = Chromium(WIDE, HIGH)
    try:
        with tempfile.TemporaryDirectory() as folder:
            page = Path(folder) / "page.html"
            page.write_text(setup_html(setup_page(evaluated, evaluated.job.unit.value)), encoding="utf-8")
            browser.size(WIDE, HIGH)
            browser.open(page)
            browser.js(f"shownPage.choose({OPERATION})")
            time.sleep(0.6)  # until it is drawn finely
            PICTURE.write_bytes(browser.shot())
    finally:
        browser.close()


if __name__ == "__main__":
    _renew()
