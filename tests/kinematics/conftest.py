"""Fixtures of the library's tests: `samples` (random machines), `fifty_digits` and `laws` lie beside them."""

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings
from slices import cases

# pytest imports these files one by one, not as a package, so what they share has to be found by its folder.
sys.path.insert(0, str(Path(__file__).parent))

settings.register_profile("laws", settings.get_profile("house"), max_examples=cases(96))
settings.load_profile("laws")


@pytest.fixture
def rng():
    return np.random.default_rng(20240531)
