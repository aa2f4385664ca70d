"""Finding the pivots: readings in, calibrations out. The mathematics is `kinematics.calibration`'s; here are the files."""
