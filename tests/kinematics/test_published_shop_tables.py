"""Published shop tables: Morse tapers with their printed angles. Recomputed tables are in test_derived_shop_tables."""

import numpy as np
import pytest
from samples import flank_after_tilting

# ISO 296:1991, Machine tools: Self-holding tapers for tool shanks. Taper per foot and angle from the centre line in
# degrees, as public tables of the standard's Morse tapers print them.
MORSE_TAPERS = {
    0: (0.62460, 1.4908), 1: (0.59858, 1.4287), 2: (0.59941, 1.4307), 3: (0.60235, 1.4377),
    4: (0.62326, 1.4876), 5: (0.63151, 1.5073), 6: (0.62565, 1.4933), 7: (0.62400, 1.4894),
}  # fmt: skip


@pytest.mark.parametrize("number", MORSE_TAPERS)
def test_morse_tapers_lie_level_at_their_printed_angle(number):
    taper, half_deg = MORSE_TAPERS[number]
    # The angle is printed to 0.0001 degrees.
    assert abs(flank_after_tilting(taper, half_deg)) < 12.0 * np.radians(0.51e-4)
