"""What the exercises are about: a training shop that makes coastal instruments."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["PARTS", "STANDOFFS", "Part"]


@dataclass(frozen=True)
class Part:
    """A thing that the shop makes, the features that need a tilt, and the smallest and largest blank in mm."""

    name: str
    features: tuple[str, ...]
    blank_mm: tuple[int, int]


PARTS = (
    Part("tide-gauge head", ("inlet port", "bleed port", "cable seat", "vent port"), (40, 70)),
    Part("beacon mast foot", ("stay hole", "drain hole", "lamp seat", "key flat"), (50, 90)),
    Part("buoy bracket", ("lug bore", "chain slot", "name flat", "sling hole"), (30, 60)),
    Part("wave-staff clamp", ("clamp bore", "screw seat", "sensor pocket", "set-screw hole"), (35, 65)),
    Part("salinity probe collar", ("window", "electrode hole", "seal groove start", "cap seat"), (30, 55)),
    Part("current-meter hub", ("blade seat", "balance hole", "pickup pocket", "pin hole"), (30, 50)),
    Part("sounding-lead mould half", ("gate", "riser", "vent", "dowel hole"), (40, 80)),
    Part("fog-bell hanger", ("hinge bore", "striker seat", "bolt face", "grease hole"), (45, 85)),
)

STANDOFFS = (
    ("round standoff", (60, 130)),
    ("square riser", (50, 120)),
    ("low vise base", (55, 95)),
    ("pull-down plate on posts", (70, 140)),
)
