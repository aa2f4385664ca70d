"""``python -m tiltwright``."""

from tiltwright.start import main

main()
