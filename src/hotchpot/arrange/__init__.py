"""The search for the best safe arrangement of a pile at a wanted voltage."""

from hotchpot.arrange.proposal import Proposal, Search
from hotchpot.arrange.search import propose

__all__ = ["Proposal", "Search", "propose"]
