"""Write the examples' golden sheets anew: run it after a change that is meant, then read the diff."""

import sys
from pathlib import Path

JOBS = ("tide_gauge_head", "float_slots", "buoy_bracket")
DATE = "2026-11-25"
SHEETS = Path(__file__).parents[2] / "examples" / "sheets"


def _renew() -> None:
    from tiltwright.app import main

    SHEETS.mkdir(exist_ok=True)
    wanted = [(name, ending) for name in JOBS for ending in ("txt", "md")] + [(JOBS[0], "png")]
    for name, ending in wanted:
        job, target = SHEETS.parent / f"{name}.toml", SHEETS / f"{name}.{ending}"
        sys.argv = ["tiltwright", "sheet", str(job), "-o", str(target), "--date", DATE, "--force"]
        try:
            main()
        except SystemExit as end:
            if end.code:
                raise


if __name__ == "__main__":
    _renew()
