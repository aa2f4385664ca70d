"""A written calculation worked again by whoever reads it."""

import math
import re


def work_again(text: str) -> tuple[float, float]:
    """Both sides of a written calculation, the left one worked from its printed numbers as a reader would."""
    _, left, right = text.rsplit(" = ", 2) if text.count(" = ") == 2 else (None, *text.split(" = "))
    code = left.replace("×", "*").replace("²", "**2")
    code = re.sub(r"√(\([^)]*\)?[^√]*\))", r"math.sqrt\1", code)
    code = re.sub(r"tan⁻¹(\(.*\))", r"(math.degrees(math.atan(\1)))", code)
    code = re.sub(r"\b(cos|sin|tan) (\(?-?[\d.]+\)?)", r"math.\1(math.radians(\2))", code)
    return float(eval(code, {"math": math})), float(right)
