"""The lamp circuit: the one place from which a program may close it.

Off is always possible, from any state. On takes all of this: a plan with lamp.switching =
"relay" and lamp.armed = true, a relay that is declared to open by itself, a proof of that on the
lab's record, and the minimum off time. Time since off is kept over restarts of the program; where
it is not known, the lamp counts as switched off just now. The hard-wired thermal cut-out and timer
outside the computer remain required, whatever this does.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from attrs import frozen

from drivers.arming import LONGEST_SILENCE_S, Arming
from drivers.clock import Clock
from drivers.contracts import LampRelay, PowerMeter, TwoPhase
from drivers.errors import DriverError
from rig import faults, lamp_records
from rig.attendant import Attendant
from rig.operator import Operator, Prompt
from rig.plan import Plan
from rig.profile import Profile, lighting_faults
from rig.relay_keeper import REFRESH_SHARE, Keeper, control_lost, open_circuit

#: An arming is good for so long: it is used at once or not at all. [s]
ARMING_S: Final = 5.0
#: Time for a lamp to strike and for the meter to show it. [s]
POWER_SHOWS_S: Final = 3.0
#: Wall power above this, with the relay closed, means that the circuit is not isolated. [W]
ISOLATED_W: Final = 5.0


def refusals(plan: Plan, profile: Profile, lab: Path, clock: Clock) -> list[str]:
    """List why the relay of this rig may not light the lamp of this plan; empty if it may.

    A plan whose lamp is lit by hand is refused nothing here.
    """
    if plan.lamp.switching != "relay":
        return []
    found = lighting_faults(plan, profile)
    if not found and profile.lamp_relay is not None:
        unproved = lamp_records.why_not_proved(lab, profile.lamp_relay, clock.utc())
        if unproved:
            found.append(
                f"{unproved}. Prove it with 'evenfall check', the lamp circuit isolated, or light "
                'the lamp by hand (lamp.switching = "hand")'
            )
    return found


class Lamp:
    """The lamp of one run: who lights it, since when it is off, and how it goes off.

    Parameters
    ----------
    plan : Plan
    profile : Profile
    lab : Path
        Lab folder with the records of lamps and instruments; it is there.
    attendant : Attendant
        Carries the conversations with the relay, and refreshes it.
    run_name : str
        Name of the run, for the records.
    """

    def __init__(
        self, plan: Plan, profile: Profile, lab: Path, attendant: Attendant, run_name: str
    ) -> None:
        self._plan = plan
        self._profile = profile
        self._lab = lab
        self._attendant = attendant
        self._run_name = run_name
        self._clock = attendant.clock
        self._relay = attendant.instruments.lamp_relay
        self._off_since_s = lamp_records.off_since_s(lab, plan.lamp.sample, self._clock)
        self._keeper: Keeper | None = None
        if self._relay is not None:
            self._keeper = Keeper(
                clock=self._clock,
                instrument=self._relay,
                complain=lambda fault: attendant.log.event("fault", "lamp_relay", str(fault)),
                interval_s=REFRESH_SHARE * (self._relay.opens_after_silence_s or math.inf),
            )
            attendant.attend(self._keeper)

    @property
    def is_lit_by_relay(self) -> bool:
        """Whether the plan has the relay light it."""
        return self._plan.lamp.switching == "relay" and self._plan.lamp.armed

    @property
    def is_believed_lit(self) -> bool:
        """Whether it was lit from here, or by a person for us, and not noted as off since."""
        return math.isinf(self._off_since_s)

    @property
    def may_be_lit_from_s(self) -> float:
        """Elapsed time at which its minimum off time is over. [s]"""
        return self._off_since_s + self._plan.lamp.minimum_off_s

    def is_off_by_hand(self) -> None:
        """Take note that a person says that the lamp is off."""
        self._note("off")

    def is_lit_by_hand(self) -> None:
        """Take note that a person lit the lamp."""
        self._note("lit")

    def light(self) -> None:
        """Close the lamp circuit by the relay, once, and have it read back.

        Raises
        ------
        RunStopped
            It may not be lit now, or the relay does not do as told; it is then told to open.
        """
        relay, keeper = self._relay, self._keeper
        arming = self._arm()
        assert relay is not None
        assert keeper is not None
        # On the record before the lamp: a run killed from here on leaves a lamp that was lit.
        self._note("lit")
        self._attendant.log.event("relay-closed", "lamp_relay", arming.granted_by)
        self._attendant.log.acknowledge()
        try:
            self._attendant.once(lambda: relay.start_on(arming), relay.poll, relay)
        except DriverError as fault:
            self.drop()
            raise control_lost(str(fault)) from fault
        keeper.begin()

    def switch_off(self) -> None:
        """Open the lamp circuit by the relay, and have it read back.

        Raises
        ------
        RunStopped
            It could not be seen to open.
        """
        relay, keeper = self._relay, self._keeper
        if relay is None or keeper is None:
            return
        keeper.end()
        try:
            self._attendant.once(relay.start_off, relay.poll, relay)
        except DriverError as fault:
            if (problem := self.drop()) is not None:
                raise control_lost(problem) from fault
        self._attendant.log.event("relay-opened", "lamp_relay")
        self._note("off")

    def drop(self) -> str | None:
        """Open the lamp circuit at once, whatever is under way; never raises.

        Returns
        -------
        str or None
            Why it is not known to be open; None where it is, or where there is no relay.
        """
        if self._relay is None or self._keeper is None:
            return None
        self._keeper.end()
        # Whoever is in the middle of an exchange on the relay's own wires lets go of them first.
        for other in self._attendant.instruments.all().values():
            if other is not self._relay and set(other.lines) & set(self._relay.lines):
                other.cancel()
        problem = open_circuit(self._relay, self._clock)
        if problem is None and self.is_lit_by_relay and self.is_believed_lit:
            try:
                self._note("off")
            except Exception as fault:  # the circuit is open, which is what matters here
                return f"the lamp circuit is open, but the lab's record was not written: {fault}"
        return problem

    def _arm(self) -> Arming:
        """Give leave to close the circuit once, now; the only other is that of a proof.

        Raises
        ------
        RunStopped
            It is not armed, or within its minimum off time.
        """
        found = refusals(self._plan, self._profile, self._lab, self._clock)
        if not self.is_lit_by_relay or self._relay is None:
            found.append("lamp: it is not armed; the relay does not light it")
        now_s = self._clock.elapsed_s()
        if now_s < self.may_be_lit_from_s:
            found.append(
                f"lamp: off for {now_s - self._off_since_s:.0f} s as far as is known; it may be "
                f"lit after {self._plan.lamp.minimum_off_s:g} s (lamp.minimum_off_s)"
            )
        if found:
            raise faults.RunStopped("measurement refused: " + "; ".join(found))
        return Arming(
            granted_by=f"plan {self._plan.test.name!r}: lamp.armed = true",
            expires_s=now_s + ARMING_S,
        )

    def _note(self, event: str) -> None:
        if event == "off":
            self._off_since_s = self._clock.elapsed_s()
        else:
            self._off_since_s = math.inf
        lamp_records.note_switching(
            self._lab, self._plan.lamp.sample, event, self._clock.utc(), self._run_name
        )


@frozen(kw_only=True)
class OpeningProof:
    """What was seen when a closed relay was left alone.

    Attributes
    ----------
    declared_s : float
        Time after which it opens by itself, as the profile declares. [s]
    seen_by : str
        ``"read-back"`` or ``"operator"``.
    """

    declared_s: float
    seen_by: str

    @property
    def words(self) -> str:
        """The proof in a line, for the record and for a person."""
        how = "read back" if self.seen_by == "read-back" else "seen by the operator to be"
        return f"closed, left alone for {self.declared_s:g} s, then {how} open"


class NotProved(Exception):
    """The relay was not seen to open by itself; the message says what was seen, and what to do."""


def prove_opening(
    relay: LampRelay,
    clock: Clock,
    operator: Operator,
    *,
    power_meter: PowerMeter | None = None,
) -> OpeningProof:
    """Close a relay, the lamp circuit isolated, go silent, and see it open within its time.

    Reading the relay may hold it, so it is left alone for the whole declared time and asked once,
    at its end. Whatever happens, the relay is told to open at last.

    Parameters
    ----------
    relay : LampRelay
    clock : Clock
    operator : Operator
        Isolates the lamp circuit, and looks where the relay reads nothing back.
    power_meter : PowerMeter, optional
        Shows a circuit that was not isolated after all: the relay is then opened at once.

    Raises
    ------
    NotProved
        It did not open in time, it is not declared, or the operator stopped.
    DriverError
        It cannot be spoken to.
    """
    declared_s = relay.opens_after_silence_s
    if declared_s is None or not 0.0 < declared_s <= LONGEST_SILENCE_S:
        raise NotProved(
            f"{relay.device}: opens_after_silence_s is not declared; set it in the relay and in "
            "the rig profile, or light the lamp by hand."
        )
    _answer(
        clock,
        operator,
        "relay-isolate",
        "The lamp relay will be closed and then left alone, to see that it opens by itself after "
        f"{declared_s:g} s. ISOLATE the lamp circuit at its isolator, lock it, and see that the "
        "lamp is dead. Then answer.",
        ("isolated", "stop"),
    )
    try:
        _finish(clock, relay, relay.start_off, relay.poll)
        now_s = clock.elapsed_s()
        arming = Arming(
            granted_by="proof of opening, lamp circuit isolated", expires_s=now_s + ARMING_S
        )
        _finish(clock, relay, lambda: relay.start_on(arming), relay.poll)
        silent_from_s = clock.elapsed_s()
        if power_meter is not None:
            _pass_time(clock, silent_from_s + POWER_SHOWS_S)
            _refuse_power(clock, power_meter)
            if set(power_meter.lines) & set(relay.lines):
                silent_from_s = clock.elapsed_s()  # it may heed any word on its wires
        if not relay.reads_back:
            _see(clock, operator, relay, "closed")
        _pass_time(clock, silent_from_s + declared_s)
        if relay.reads_back:
            is_closed = _finish(clock, relay, relay.start_read, relay.poll)
            if is_closed:
                raise NotProved(
                    f"{relay.device}: still closed {declared_s:g} s after the last word to it. Set "
                    "its own timeout, then 'opens_after_silence_s'; until then light by hand."
                )
        else:
            _see(clock, operator, relay, "open")
    finally:
        relay.cancel()
        problem = open_circuit(relay, clock)
    if problem is not None:
        raise NotProved(problem)
    return OpeningProof(
        declared_s=declared_s, seen_by="read-back" if relay.reads_back else "operator"
    )


def _refuse_power(clock: Clock, meter: PowerMeter) -> None:
    readings = _finish(clock, meter, meter.start, meter.poll)
    for reading in readings:
        if reading.quantity == "wall_power_w" and reading.value > ISOLATED_W:
            raise NotProved(
                f"{meter.device}: {reading.value:.1f} W with the relay closed: the lamp circuit "
                "is NOT isolated. The relay is opened. Leave the lamp off for its minimum off "
                "time, isolate the circuit, begin again."
            )


def _see(clock: Clock, operator: Operator, relay: LampRelay, state: str) -> None:
    question = f"Look at the relay {relay.device}: is it {state}?"
    if _answer(clock, operator, f"relay-{state}", question, ("yes", "no", "stop")) != "yes":
        raise NotProved(
            f"{relay.device}: it was not seen to be {state}. Check its wiring and its timeout; "
            "until then light the lamp by hand."
        )


def _answer(
    clock: Clock, operator: Operator, kind: str, text: str, choices: tuple[str, ...]
) -> str:
    operator.ask(Prompt(kind=kind, text=text, choices=choices))
    while (answer := operator.answer()) is None:
        clock.wait_until(math.inf, watching=[operator])
    if answer == "stop":
        raise NotProved("stopped by the operator; nothing is proved.")
    return answer


def _pass_time(clock: Clock, until_s: float) -> None:
    while clock.elapsed_s() < until_s:
        clock.wait_until(until_s)


def _finish(
    clock: Clock,
    instrument: TwoPhase,
    start: Callable[[], float],
    poll: Callable[[], Any],
) -> Any:
    start()
    while (result := poll()) is None:
        clock.wait_until(instrument.wake_s, watching=instrument.lines)
    return result
