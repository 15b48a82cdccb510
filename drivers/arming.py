"""The permission, good for one closing of the lamp circuit and for a few seconds.

A lamp relay closes on nothing else. Only `rig/lamp.py` makes one; a test reads the source and
fails otherwise.
"""

from __future__ import annotations

import math

from attrs import define, field
from attrs.validators import and_, instance_of, min_len

#: The relay must open by itself at the latest after this time without a word. [s]
LONGEST_SILENCE_S = 60.0


@define(kw_only=True, eq=False)
class Arming:
    """Leave to close the lamp circuit once.

    Attributes
    ----------
    granted_by : str
        What it rests on, for the record.
    expires_s : float
        Elapsed time after which it is worth nothing. [s]
    """

    granted_by: str = field(validator=and_(instance_of(str), min_len(1)))
    expires_s: float = field(converter=float)
    _is_spent: bool = field(default=False, init=False)

    def spend(self, now_s: float) -> str | None:
        """Use it up; return why it is worth nothing, or None where it was good. [s]"""
        if self._is_spent:
            return "its arming has been used already; each closing needs one of its own"
        self._is_spent = True
        if not (math.isfinite(self.expires_s) and now_s <= self.expires_s):
            return f"its arming has expired (good until {self.expires_s:g} s, now {now_s:g} s)"
        return None
