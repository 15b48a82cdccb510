"""What stands between two results without being a property of either device.

The bench that changed between two runs, and the choice of each device's best height, both move a
ratio in a way that is partly known. The known part is taken off, the rest widens the interval, by
rules that are stated where the effect is worked out (`analysis.order`, `analysis.own_height`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from attrs import frozen

from analysis.budget import Term


@frozen(kw_only=True)
class Effect:
    """One such effect on the ratio b ÷ a.

    Attributes
    ----------
    name : str
        What it is, in the words of the trade.
    change : float
        What it did to the natural logarithm of the ratio, as far as known: taken off.
    standard : float
        Standard uncertainty of that. [1]
    source : str
        Where the figures come from, for the table of the budget.
    remark : str
        A sentence for people, to stand with the verdict.
    """

    name: str
    change: float
    standard: float
    source: str
    remark: str

    @property
    def term(self) -> Term:
        """What it leaves in the ratio, as a line of the budget."""
        return Term(
            name=self.name, in_a=0.0, in_b=self.standard, is_shared=False, source=self.source
        )


def taken_off(ratio: float, effects: Sequence[Effect]) -> float:
    """Return the ratio without what the effects are known to have done to it."""
    return ratio * math.exp(-sum(one.change for one in effects))
