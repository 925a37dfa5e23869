"""The judgement "this reading has settled"."""

from acquire.stabiliser.judge import Stabiliser
from acquire.stabiliser.learning import StepRecord, learn_response

__all__ = ["Stabiliser", "StepRecord", "learn_response"]
