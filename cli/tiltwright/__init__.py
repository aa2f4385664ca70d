"""The command `tiltwright`: reads files, calls `kinematics`, shows the answer."""

__version__ = "0.1.0"
