"""The judgement "this reading has settled"."""

from acquire.stabiliser.judge import Stabiliser

__all__ = ["Stabiliser"]
