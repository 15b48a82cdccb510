"""Readings of a lux meter: by which factor they became PPFD, and how sure that is.

A lux meter sees as the eye does, so one lux is as many photons as the lamp's spectrum makes it.
For a lamp of which only the kind is known the factor is that of published spectra of the kind,
and published factors of one kind lie up to a tenth apart; without a kind whose lamps are alike
(an LED) the factor has to be stated. What was converted is marked so wherever it is shown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from attrs import evolve, frozen

from analysis.causes import DECLARED, Budget, Cause, Influence
from analysis.digits import PPFD_UNIT
from analysis.identity import Identity
from analysis.photons import LAMP_KINDS

KIND_LIMIT: Final = 0.10
"""Limits of a factor by the kind of lamp, ±: so far published factors of one kind lie from ours,
77 to 86 lx for high-pressure sodium, 59 to 65 for ceramic metal halide, 62 to 73 for metal halide,
74 to 77 for fluorescent (makers' tables and Thimijan and Heins 1983, both second-hand).
[fraction]"""


@frozen(kw_only=True)
class Conversion:
    """How readings in lux became PPFD.

    Attributes
    ----------
    lux_per_ppfd : float
        What they were divided by. [lx per µmol m⁻² s⁻¹]
    limit : float
        Limits of that factor, ±, relative. [fraction]
    source : str
        Where it comes from.
    """

    lux_per_ppfd: float
    limit: float
    source: str

    @property
    def mark(self) -> str:
        """What has to stand beside every number that rests on it."""
        return f"converted from lux, {self.lux_per_ppfd:g} lx for 1 {PPFD_UNIT}"

    @property
    def remark(self) -> str:
        """One sentence for the list of remarks."""
        return (
            f"The light was read in lux, not in photons. PPFD is lux divided by "
            f"{self.lux_per_ppfd:g} (± {100 * self.limit:g} %; {self.source}); the readings as "
            "entered stand beside their values in the run folder."
        )


def by_kind(lamp_kind: str | None) -> Conversion | None:
    """Return the conversion for a kind of lamp, None where its lamps are too unlike for one."""
    known = LAMP_KINDS.get(lamp_kind or "")
    if known is None:
        return None
    source = f"factor for {lamp_kind}: {known.source}; limits: published factors of one kind"
    return Conversion(lux_per_ppfd=known.lux_per_ppfd, limit=KIND_LIMIT, source=source)


def conversion_of(plan: Mapping[str, Any]) -> Conversion | None:
    """Read from the plan of a run how its readings were converted, None if they were not."""
    held = plan.get("entered")
    entered = held if isinstance(held, Mapping) else {}
    factor = _figure(entered.get("lux_per_ppfd"))
    limit_percent = _figure(entered.get("lux_limit_percent"))
    if factor is None or limit_percent is None:
        return None
    return Conversion(
        lux_per_ppfd=factor,
        limit=limit_percent / 100,
        source=str(entered.get("lux_source") or "source not stated"),
    )


def _figure(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < math.inf:
        return None
    return float(value)


def with_conversion(budget: Budget, conversion: Conversion, identity: Identity) -> Budget:
    """Return a budget with the error of a conversion, one for all that one lamp was read by.

    Parameters
    ----------
    budget : Budget
    conversion : Conversion
    identity : Identity
        Two runs with one sample of a lamp share the error of its factor.
    """
    who = f"{conversion.lux_per_ppfd:g} lx"
    cause = Cause(
        key=identity.key(f"conversion from lux at {who}", identity.lamp),
        name="conversion from lux",
        kind=DECLARED,
        distribution="rectangular",
        source=f"± {100 * conversion.limit:g} %; {conversion.source}",
    )
    size = conversion.limit / math.sqrt(3.0)
    influence = Influence(cause=cause, light=np.full(len(budget.ppfd), size))
    return evolve(budget, influences=(*budget.influences, influence))
