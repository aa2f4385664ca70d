"""Machine files and job files: read, checked, located by line, and turned into values of `kinematics`.

Nothing is imported here, so that a command which needs only one of the modules pays for that one.
"""
