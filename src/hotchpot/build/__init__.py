"""
How a judged bank becomes a built one: what to charge, in which order to join, what the meter must read, when to stop.

`joining_plan` takes what the judge took and what it said; a bank that is forbidden gets no plan.
"""

from hotchpot.build.joining import joining_plan
from hotchpot.build.step import JoiningPlan, Resistor, Step

__all__ = ["JoiningPlan", "Resistor", "Step", "joining_plan"]
