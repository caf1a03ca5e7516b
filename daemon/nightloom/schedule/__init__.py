"""Which target when: a plan over the whole night, made again after every interruption."""

from nightloom.schedule.candidate import Block, Candidate, Choice, Plan, steps
from nightloom.schedule.plan import make_plan
from nightloom.schedule.worth import (
    STAR_AREA_EXPONENT,
    moonlight_part,
    priority_weight,
    sky_quality,
)

__all__ = [
    "STAR_AREA_EXPONENT",
    "Block",
    "Candidate",
    "Choice",
    "Plan",
    "make_plan",
    "moonlight_part",
    "priority_weight",
    "sky_quality",
    "steps",
]
