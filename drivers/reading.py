"""A reading: one value of one quantity, the window it averages over, and the raw reply."""

from __future__ import annotations

import math

from attrs import field, frozen
from attrs.validators import instance_of


@frozen(kw_only=True)
class Reading:
    """One value as an instrument gave it.

    Attributes
    ----------
    quantity : str
        Name in the glossary `analysis/quantities.py`, e.g. ``"ppfd_umol_m2_s"``. The unit
        is in the name.
    value : float
        NaN where the instrument itself said that it has no value. A value is never invented.
    window_start_s, window_end_s : float
        Elapsed seconds between which the instrument averaged, from its declared averaging
        and lag; NaN where that is not known. [s]
    raw : bytes
        The reply the value was decoded from, as it came.
    """

    quantity: str
    value: float = field(converter=float)
    window_start_s: float
    window_end_s: float
    raw: bytes = field(validator=instance_of(bytes))

    def __attrs_post_init__(self) -> None:
        if self.window_end_s < self.window_start_s:
            raise ValueError(
                f"window ends before it starts: {self.window_start_s!r} to {self.window_end_s!r} s"
            )

    @property
    def is_missing(self) -> bool:
        """True where the instrument said that it has no value."""
        return math.isnan(self.value)
