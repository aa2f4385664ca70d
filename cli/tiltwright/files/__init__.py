"""Input files: schema, validation with diagnostics by line, values of `kinematics`; and atomic writing.

Nothing is imported here, so that a command loads only the modules that it needs.
"""
