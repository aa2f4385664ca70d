"""``python -m tiltwright``."""

from tiltwright.app import main

main()
