"""Fixtures that all tests share."""

import gc
import os

# Before anything loads numpy: the workers share the processor's cores, and on matrices as small as ours a second thread
# in each of them only waits for the first (a quarter of the time of the tests of calibration).
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# A command that a test starts as a process finds the program compiled, as its user does.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
# As the program does (`tiltwright.__main__`); what is loaded with the tests stays, and is not scanned again.
gc.set_threshold(100_000, 50, 50)

from hypothesis import settings  # noqa: E402 - see above
from slices import cases  # noqa: E402 - likewise


def pytest_collection_finish():
    gc.freeze()


# The same examples every time: whoever runs the tests gets the verdict that the change got when it landed.
# HUNT=1 python -m pytest ... looks for new counterexamples.
# Twenty examples in the suite, and hypothesis' own hundred and more by the variable that `slices` reads.
settings.register_profile(
    "house", deadline=None, derandomize=not os.environ.get("HUNT"), max_examples=cases(160)
)
settings.load_profile("house")
