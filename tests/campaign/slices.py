"""Share of its simulated and random cases that the suite tries: one variable for all of them.

A test states the number of cases that its claim is worth, `cases(600)`, and tries an eighth of it in the suite::

    TILTWRIGHT_SIMULATIONS=1 python -m pytest -n0 tests/kinematics     # as many as stated
    TILTWRIGHT_SIMULATIONS=20 python -m pytest -n0 tests/kinematics/calibration

What it asserts follows from the number that was tried: every case, or a count within its own scatter.
"""

import os

from scipy.stats import binom

TIMES = float(os.environ.get("TILTWRIGHT_SIMULATIONS", "0.125"))

ONCE_IN = 1e-3
"""Probability at which a claim that is just true may be refuted by the cases drawn."""


def cases(stated: int) -> int:
    """Number of cases tried where so many are stated; never none."""
    return max(1, round(stated * TIMES))


def at_least(share: float, tried: int) -> int:
    """The smallest count that a share of so many tried cases leaves credible.

    Of 1,000 at 0.99 no fewer than 979; what is drawn from a fixed seed either reaches it or does not.
    """
    return int(binom.ppf(ONCE_IN, tried, share))
