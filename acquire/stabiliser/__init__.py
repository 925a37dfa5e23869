"""Settled or not: lift, test pressure and flow judged together."""

from acquire.stabiliser.advance import FLOW, LIFT, PRESSURE
from acquire.stabiliser.judge import Stabiliser

__all__ = ["FLOW", "LIFT", "PRESSURE", "Stabiliser"]
