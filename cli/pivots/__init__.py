"""Finding the pivots: readings in, calibrations out. The mathematics is `kinematics.pivot`'s; here are the files."""
