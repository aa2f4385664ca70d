"""Entry point of the command: ``tiltwright`` and ``python -m tiltwright``.

The garbage-collection threshold is raised: start-up makes hundreds of thousands of objects and drops almost none, and
scanning them again and again took a tenth of every start.
"""

from __future__ import annotations

import gc

__all__ = ["main"]


def main() -> None:
    """Run the command line."""
    gc.set_threshold(100_000, 50, 50)
    try:
        from tiltwright.app import main as run

        run()
    except KeyboardInterrupt:
        # Ctrl-C while the program starts or ends; as a shell has it, 128 and the number of the signal.
        raise SystemExit(130) from None


if __name__ == "__main__":
    main()
