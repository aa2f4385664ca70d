"""Shop tables as published: tapers with their printed angles. Recomputed tables are in test_derived_shop_tables."""

import numpy as np
import pytest
from samples import flank_after_tilting

# Taper per foot and angle from the centre in degrees. Morse: taper READ at www.engineersedge.com, Morse taper
# shank dimensions; angles of all READ at littlemachineshop.com, "Dimensions of standard tapers".
NAMED_TAPERS = {
    "Morse 0": (0.62460, 1.4908), "Morse 1": (0.59858, 1.4287), "Morse 2": (0.59941, 1.4307),
    "Morse 3": (0.60235, 1.4377), "Morse 4": (0.62326, 1.4876), "Morse 5": (0.63151, 1.5073),
    "Morse 6": (0.62565, 1.4933), "Morse 7": (0.62400, 1.4894),
    "Brown & Sharpe 1": (0.5020, 1.1983), "Brown & Sharpe 4": (0.5024, 1.1992),
    "Brown & Sharpe 7": (0.5015, 1.1970), "Brown & Sharpe 9": (0.5009, 1.1955),
    "Brown & Sharpe 10": (0.5161, 1.2320), "Brown & Sharpe 12": (0.4997, 1.1928),
    "Brown & Sharpe 14": (0.5000, 1.1935),
    "Jacobs 0": (0.5915, 1.4117), "Jacobs 1": (0.9251, 2.2074), "Jacobs 2": (0.9786, 2.3350),
    "Jacobs 3": (0.6390, 1.5251), "Jacobs 6": (0.6229, 1.4868), "Jacobs 33": (0.7619, 1.8184),
}  # fmt: skip


@pytest.mark.parametrize("name", NAMED_TAPERS)
def test_named_tapers_lie_level_at_their_printed_angle(name):
    taper, half_deg = NAMED_TAPERS[name]
    # The angle is printed to 0.0001 degrees, Brown & Sharpe's and Jacobs' taper to 0.0001 inch a foot.
    printed = 12.0 * np.radians(0.51e-4) + (0.0 if name.startswith("Morse") else 0.25e-4)
    assert abs(flank_after_tilting(taper, half_deg)) < printed
