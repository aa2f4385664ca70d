"""Write the examples' golden sheets and tables of keys anew: run it after an intended change, then read the diff."""

import sys
from pathlib import Path

JOBS = ("tide_gauge_head", "float_slots", "buoy_bracket")
DATE = "2026-11-25"
EXAMPLES = Path(__file__).parents[2] / "examples"
SHEETS = EXAMPLES / "sheets"


def _run(*arguments: object) -> None:
    from tiltwright.app import main

    sys.argv = ["tiltwright", *map(str, arguments), "--force"]
    try:
        main()
    except SystemExit as end:
        if end.code:
            raise


def _renew() -> None:
    SHEETS.mkdir(exist_ok=True)
    wanted = [(name, ending) for name in JOBS for ending in ("txt", "md")] + [(JOBS[0], "png")]
    for name, ending in wanted:
        _run("sheet", EXAMPLES / f"{name}.toml", "-o", SHEETS / f"{name}.{ending}", "--date", DATE)
    _run("schema", "--text", "-o", EXAMPLES / "keys.md")


if __name__ == "__main__":
    _renew()
