"""Fixtures that all tests share."""

import os

from hypothesis import settings
from slices import cases

# The same examples every time: whoever runs the tests gets the verdict that the change got when it landed.
# HUNT=1 python -m pytest ... looks for new counterexamples.
# Forty examples in the suite, and hypothesis' own hundred and more by the variable that `slices` reads.
settings.register_profile(
    "house", deadline=None, derandomize=not os.environ.get("HUNT"), max_examples=cases(160)
)
settings.load_profile("house")
