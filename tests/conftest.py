"""What all tests share."""

import os

from hypothesis import settings

# The same examples every time: whoever runs the tests gets the verdict that the change got when it landed.
# HUNT=1 python -m pytest ... looks for new counterexamples.
settings.register_profile("house", deadline=None, derandomize=not os.environ.get("HUNT"))
settings.load_profile("house")
