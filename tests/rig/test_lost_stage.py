"""The port of the stage is lost: nothing moves before a person says so, or the plan has said so."""

from __future__ import annotations

import pytest

from rig.demo.person import VirtualPerson
from rig.faults import RunStopped
from rig.unattended import AbsentOperator, checklist
from tests.rig.bench_run import do_run
from tests.rig.test_pauses import (
    PAUSES,
    Away,
    assert_safe,
    in_map,
    named,
    night,
    plain,  # noqa: F401  (a fixture)
    raise_alarm,
    same_map,
    stopped,
    whole,
)
from tests.rig.test_resume import Watcher

UNASKED = {**PAUSES, "home_unasked": True}


def unplug(bench, at_s, for_s=None):
    """Pull the plug of the stage, and put it back after a time."""
    line = bench.instruments.stage.lines[0]
    bench.clock.call_at(at_s, line.unplug)
    if for_s is not None:
        bench.clock.call_at(at_s + for_s, line.replug)
    return line


def answered_s(run):
    of_mend = run.events[(run.events.event == "answer") & (run.events.subject == "mend")]
    return of_mend.elapsed_s.to_list()


class Plugging(Watcher):
    """Says "go on" each time after a while, and puts the plug back before the second time."""

    def ask(self, prompt):
        super().ask(prompt)
        self.text = prompt.text
        if self.asked.count("mend") == 2 and prompt.kind == "mend":
            self.line.replug()


def test_a_person_is_asked_and_the_stage_homes_on_their_word(plain, tmp_path):  # noqa: F811
    plan, profile, bench = night(tmp_path)
    unplug(bench, in_map(plain), for_s=5.0)
    person = Watcher(bench, plan.device.name)
    run = whole(tmp_path, plan, profile, bench, operator=person)
    (paused,) = named(run, "paused").itertuples()
    assert paused.subject == "stage"
    assert paused.detail.startswith("motion fault: stage")
    assert person.asked.count("mend") == 1
    homed_s = named(run, "homed").elapsed_s.to_list()
    assert len(homed_s) == 2
    # The plug was back 15 s before they answered, and nothing moved until then.
    assert homed_s[1] > answered_s(run)[0] >= paused.elapsed_s + 15.0
    assert len(named(run, "relay-closed")) == 1
    assert "readings-doubted" in set(run.events.event)
    assert named(run, "reference-agrees").elapsed_s.iloc[0] > homed_s[1]
    same_map(run, plain)


def test_who_says_so_too_early_is_asked_again_and_nothing_moves_meanwhile(plain, tmp_path):  # noqa: F811
    plan, profile, bench = night(tmp_path)
    person = Plugging(bench, plan.device.name)
    person.line = unplug(bench, in_map(plain))
    run = whole(tmp_path, plan, profile, bench, operator=person)
    assert person.asked.count("mend") == 2
    assert "cannot be told to stop" in person.text
    assert "emergency stop" in person.text
    assert named(run, "homed").elapsed_s.iloc[1] > answered_s(run)[1]
    same_map(run, plain)


def test_where_nobody_answers_the_lamp_goes_off_when_the_pause_is_over(plain, tmp_path):  # noqa: F811
    plan, profile, bench = night(tmp_path)
    unplug(bench, in_map(plain), for_s=30.0)
    end, run = stopped(
        tmp_path, plan, profile, bench, operator=Away(bench, plan.device.name, "mend")
    )
    assert end.reason.startswith("motion fault: stage")
    assert end.reason.endswith("Paused for 10 min, no longer.")
    assert len(named(run, "homed")) == 1


class Hasty(Watcher):
    """Says "go on" at once, whatever is the matter."""

    def ask(self, prompt):
        if prompt.kind == "mend":
            self.asked.append(prompt.kind)
            self._answer = "go on"
        else:
            super().ask(prompt)


def test_words_alone_bring_no_port_back(plain, tmp_path):  # noqa: F811
    plan, profile, bench = night(tmp_path)
    unplug(bench, in_map(plain))
    person = Hasty(bench, plan.device.name)
    end, run = stopped(tmp_path, plan, profile, bench, operator=person)
    assert end.reason.endswith("Paused for 10 min, no longer.")
    assert 2 < person.asked.count("mend") <= 60
    assert len(named(run, "homed")) == 1


def test_with_nobody_there_the_run_stops_unless_the_plan_lets_the_stage_home(plain, tmp_path):  # noqa: F811
    plan, profile, bench = night(tmp_path)
    unplug(bench, in_map(plain), for_s=30.0)
    with pytest.raises(RunStopped) as caught:
        do_run(tmp_path, plan, profile, bench, operator=AbsentOperator(acknowledged=True))
    # It cannot be told to stop: the move that was under way is let go to its end.
    bench.clock.wait_until(bench.clock.elapsed_s() + 10.0)
    assert_safe(bench, caught.value)
    assert not any("homes by itself" in item for item in checklist(plan, profile))


@pytest.mark.parametrize("share", [0.3, 0.7])
def test_a_plan_may_let_the_stage_home_unasked_at_any_moment(share, plain, tmp_path):  # noqa: F811
    plan, profile, bench = night(tmp_path, trouble=UNASKED)
    out_s = in_map(plain, share)
    unplug(bench, out_s, for_s=95.0)
    run = whole(tmp_path, plan, profile, bench, operator=AbsentOperator(acknowledged=True))
    (ended,) = named(run, "pause-ended").itertuples()
    assert out_s + 95.0 <= ended.elapsed_s <= out_s + 95.0 + 15.0
    assert "mend" not in set(run.events.subject)
    assert named(run, "homed").elapsed_s.iloc[1] > ended.elapsed_s
    assert len(named(run, "relay-closed")) == 1
    same_map(run, plain)
    assert any("homes by itself" in item for item in checklist(plan, profile))


def test_that_word_of_the_plan_does_not_hold_for_an_alarm(plain, tmp_path):  # noqa: F811
    plan, profile, bench = night(tmp_path, trouble=UNASKED)
    peer = bench.instruments.stage.lines[0]._peer
    bench.clock.call_at(in_map(plain), lambda: raise_alarm(peer, bench))
    end, run = stopped(tmp_path, plan, profile, bench, operator=AbsentOperator(acknowledged=True))
    assert end.reason.startswith("motion fault: stage")
    assert len(named(run, "homed")) == 1


class Slow(VirtualPerson):
    """Takes five minutes to mend the stage."""

    def ask(self, prompt):
        if prompt.kind == "mend":
            at_s = self._clock.elapsed_s() + 300.0
            self._clock.call_at(at_s, lambda: setattr(self, "_answer", "go on"))
        else:
            super().ask(prompt)


def test_an_instrument_that_fails_and_comes_back_is_no_word_to_move(plain, tmp_path):  # noqa: F811
    plan, profile, bench = night(tmp_path)
    peer, meter = bench.instruments.stage.lines[0]._peer, bench.instruments.power_meter.lines[0]
    alarm_s = in_map(plain)
    bench.clock.call_at(alarm_s, lambda: raise_alarm(peer, bench))
    bench.clock.call_at(alarm_s + 60.0, meter.unplug)
    bench.clock.call_at(alarm_s + 100.0, meter.replug)
    run = whole(tmp_path, plan, profile, bench, operator=Slow(bench, plan.device.name))
    assert list(named(run, "paused").subject) == ["stage", "power_meter", "stage"]
    assert named(run, "homed").elapsed_s.iloc[1] > answered_s(run)[-1] >= alarm_s + 300.0
    same_map(run, plain)
