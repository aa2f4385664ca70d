"""What all tests share."""

import os
import sys
import tempfile
from pathlib import Path

from hypothesis import settings
from slices import cases

# The same examples every time: whoever runs the tests gets the verdict that the change got when it landed.
# HUNT=1 python -m pytest ... looks for new counterexamples.
# Forty examples in the suite, and hypothesis' own hundred and more by the variable that `slices` reads.
settings.register_profile(
    "house", deadline=None, derandomize=not os.environ.get("HUNT"), max_examples=cases(160)
)
settings.load_profile("house")

# Where Python is told to keep no bytecode, the tests keep theirs aside: they start the command some dozens of times,
# and each start would compile the whole program anew.
if os.environ.pop("PYTHONDONTWRITEBYTECODE", ""):
    os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix = str(
        Path(tempfile.gettempdir()) / f"tiltwright-tests-{os.getuid()}"
    )
    sys.dont_write_bytecode = False
