"""A comparison, and a head among its siblings, as pandas frames: one row a lift, SI units in the column names."""

from dataclasses import asdict
from typing import TYPE_CHECKING

from acquire.comparison.compare import Comparison
from acquire.comparison.siblings import Siblings

if TYPE_CHECKING:
    import pandas as pd


def comparison_frame(its: Comparison) -> "pd.DataFrame":
    """Flows, difference, interval, verdict and port figures by lift; missing where nothing may be said."""
    import pandas as pd

    verdicts = {at.difference.lift_m: at for at in its.verdict.at} if its.verdict else {}
    rows = []
    for at, a, b in zip(its.differences.at, its.port_a, its.port_b, strict=True):
        judged = verdicts.get(at.lift_m)
        rows.append(
            {
                "lift_m": at.lift_m,
                "a_m3_s": at.a_m3_s,
                "b_m3_s": at.b_m3_s,
                "a_pulls": at.a_pulls,
                "b_pulls": at.b_pulls,
                "difference_m3_s": at.a_m3_s - at.b_m3_s,
                "half_width_95_m3_s": judged.half_width_95 if judged else None,
                "p_difference": judged.p_difference if judged else None,
                "p_equal": judged.p_equal if judged else None,
                "could_show_m3_s": judged.could_show if judged else None,
                "verdict": judged.verdict if judged else "",
                "lift_over_diameter": a.lift_over_diameter,
                "coefficient_a": a.coefficient,
                "coefficient_b": b.coefficient,
                "noise_rel_a": a.noise_rel,
                "noise_rel_b": b.noise_rel,
            }
        )
    return pd.DataFrame(rows)


def siblings_frame(its: Siblings) -> "pd.DataFrame":
    """The head's flow beside its siblings' mean and intervals by lift."""
    import pandas as pd

    return pd.DataFrame([asdict(at) | {"falls_out": at.falls_out} for at in its.at])
