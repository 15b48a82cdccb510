"""From an interruption back to a bench on which a run can go on: lamp, pause, homing.

What to do for which fault stands in the fault table (`rig/faults.py`); here it is done.
"""

from __future__ import annotations

import math
from typing import Final

from attrs import evolve

from analysis.interruptions import DOUBTED
from rig.attendant import Attendant
from rig.faults import Interrupted, RunStopped, Then
from rig.lamp import Lamp
from rig.pause import Pause
from rig.plan import Plan
from rig.power_watch import LAMP_OUT_SHARE
from rig.warm_up import WarmUp

#: A lamp whose light is below this share of what it was is out; an arc tube glows for a while.
OUT_SHARE: Final = 0.1


class Recovery:
    """Carries a run over its interruptions, or ends it.

    Parameters
    ----------
    plan : Plan
    attendant : Attendant
    lamp : Lamp
    warm_up : WarmUp
        Told when the lamp is off.
    pause : Pause
    """

    def __init__(
        self, plan: Plan, attendant: Attendant, lamp: Lamp, warm_up: WarmUp, pause: Pause
    ) -> None:
        self._plan = plan
        self._attendant = attendant
        self._lamp = lamp
        self._warm_up = warm_up
        self._pause = pause
        self._relights = 0

    def carry_over(self, trouble: Interrupted, dark_umol_m2_s: float) -> None:
        """Return when the run may go on, the stage homed.

        Parameters
        ----------
        trouble : Interrupted
        dark_umol_m2_s : float
            What the light sensor shows in the dark. [µmol m⁻² s⁻¹]

        Raises
        ------
        RunStopped
            It may not.
        """
        while True:
            self._pause.count(trouble)
            try:
                self._mend(trouble, dark_umol_m2_s)
                self._attendant.home()
                return
            except Interrupted as another:
                trouble = another

    def _mend(self, trouble: Interrupted, dark_umol_m2_s: float) -> None:
        if trouble.row.then is Then.RELIGHT:
            trouble = self._see_whether_out(trouble, dark_umol_m2_s)
        self._attendant.stand_still()
        if trouble.row.doubts:
            self._attendant.log.event(DOUBTED, trouble.subject, trouble.reason)
        if trouble.row.then is Then.RELIGHT:
            self._put_out(trouble)
        elif trouble.row.then is not Then.REJOIN:
            self._pause.wait(trouble, self._lamp_is_out)
        watch = self._attendant.power_watch
        if self._warm_up.is_stable and math.isnan(watch.level_w):
            watch.expect(watch.lost_level_w)

    def _see_whether_out(self, trouble: Interrupted, dark_umol_m2_s: float) -> Interrupted:
        """Ask the light too: a lamp that still shines is not out, whatever the wattmeter says."""
        before = self._attendant.latest_light - dark_umol_m2_s
        light = self._attendant.glance() - dark_umol_m2_s
        if not light > OUT_SHARE * before:
            return trouble
        return Interrupted(
            f"{trouble.reason} The light is still there ({light:.1f} µmol/m²/s): it is the meter, "
            "or a dip of the mains.",
            evolve(trouble.row, then=Then.AWAIT_INSTRUMENT),
            "power_meter",
            least_power_w=LAMP_OUT_SHARE * self._attendant.power_watch.lost_level_w,
        )

    def _put_out(self, trouble: Interrupted) -> None:
        self._relights += 1
        if not self._lamp.is_lit_by_relay or self._relights > self._plan.trouble.relight_most:
            raise RunStopped(trouble.reason)
        self._lamp_is_out()

    def _lamp_is_out(self) -> None:
        if self._lamp.is_lit_by_relay:
            self._lamp.switch_off()
        else:
            self._lamp.is_off_by_hand()
        self._warm_up.lamp_is_off()
