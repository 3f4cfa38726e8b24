"""Where the barrels stand, in which weeks, and what is carried there: plain arrays in, a proven plan out."""

from sourcing.placement.check import check
from sourcing.placement.instance import (
    FREE,
    IN,
    OUT,
    Crew,
    Instance,
    Moves,
    Previous,
    Villages,
    Water,
    Wishes,
    Workshop,
)
from sourcing.placement.solve import Placement, carries_of, solve

__all__ = [
    "FREE",
    "IN",
    "OUT",
    "Crew",
    "Instance",
    "Moves",
    "Placement",
    "Previous",
    "Villages",
    "Water",
    "Wishes",
    "Workshop",
    "carries_of",
    "check",
    "solve",
]
