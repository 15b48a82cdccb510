"""Ten thousand corrupted exchanges, and proof that the campaign would see a defect."""

import pytest

from drivers.modbus import frames
from drivers.modbus.power_meter import PowerMeter
from tests.corruption import campaign as campaigns
from tests.corruption.campaign import bound, campaign, defects, is_within, slipped, strike, table
from tests.corruption.damage import CLASSES
from tests.corruption.modbus_subjects import ModbusRtu
from tests.corruption.subject import CRC_16, WHOLE
from tests.corruption.subjects import SUBJECTS

EXCHANGES = 10_000


@pytest.fixture(scope="module")
def tallies():
    return campaign(EXCHANGES, seed=20260105)


def test_no_hang_no_foreign_exception_and_no_more_wrong_values_than_the_sums_allow(tallies):
    assert sum(tally.exchanges for tally in tallies) == EXCHANGES
    assert {(t.subject, t.damage) for t in tallies} == {(s, d) for s in SUBJECTS for d in CLASSES}
    assert defects(tallies) == [], table(tallies)


def test_every_class_is_really_felt(tallies):
    # Something is refused, or only the protocol's own retries brought the value.
    for tally in tallies:
        if tally.damage in ("noise only", "truncated", "burst of 17 to 80 bits"):
            assert tally.outcomes["refused"] or SUBJECTS[tally.subject].retries, tally
    assert all(t.outcomes["right"] == 0 for t in tallies if t.damage == "noise only")


def test_fault_does_not_outlast_the_next_measurement(tallies):
    # A reply that was shifted would make the struck measurements themselves right or wrong by
    # what came before them; classes that leave every reply whole show it.
    for tally in tallies:
        if tally.damage in WHOLE:
            assert tally.outcomes["wrong"] == 0, tally
        if tally.damage not in ("stale reply", "doubled reply"):
            # One in four moves of the stage stops short, and is refused for that.
            assert tally.after["right"] >= 0.6 * tally.exchanges, tally


def test_bound_is_that_of_clopper_and_pearson():
    # Of nothing seen in n: 1 - 0.05 ** (1 / n), by hand.
    assert bound(0, 1000) == pytest.approx(1.0 - 0.05 ** (1.0 / 1000.0), rel=1e-9)
    # Where all were wrong there is no bound below 1.
    assert bound(7, 7) == 1.0
    assert is_within(1, 1000, CRC_16)
    assert not is_within(5, 1000, CRC_16)


def test_same_seed_gives_the_same_campaign():
    first, second = (strike("Modbus RTU", "single bit", 20, seed=3) for _ in range(2))
    assert first == second


# Planted defects: each has to be found.


def test_check_sum_that_is_not_looked_at_is_found(monkeypatch):
    monkeypatch.setattr(frames, "sum_is_right", lambda frame: True)
    found = strike("Modbus RTU", "burst of 2 to 16 bits", 50, seed=1)
    assert found.wrong > 0
    assert "wrong of 50" in defects([found])[0]
    assert "Modbus RTU: " in slipped([found])


def test_measurement_without_end_is_found(monkeypatch):
    monkeypatch.setattr(PowerMeter, "poll", lambda self: None)
    found = strike("Modbus RTU", "truncated", 2, seed=1)
    assert found.outcomes["hung"] == 2
    assert "hung: no end after 10 s" in defects([found])[0]


def test_loop_that_spins_in_place_is_found(monkeypatch):
    monkeypatch.setattr(campaigns, "MOST_POLLS", 50)
    monkeypatch.setattr(PowerMeter, "poll", lambda self: None)
    monkeypatch.setattr(PowerMeter, "wake_s", property(lambda self: 0.0))
    assert strike("Modbus RTU", "truncated", 1, seed=1).outcomes["hung"] == 1


def test_foreign_exception_is_found(monkeypatch):
    def fail(self):
        raise IndexError("list index out of range")

    monkeypatch.setattr(PowerMeter, "poll", fail)
    found = strike("Modbus RTU", "truncated", 2, seed=1)
    assert "4 foreign: IndexError: list index" in defects([found])[0]  # two struck, two not


def test_reply_taken_for_that_of_the_next_request_is_found(monkeypatch):
    # An instrument that is one behind: it answers with the values before.
    draw, answer = ModbusRtu.draw, ModbusRtu.answer

    def draw_late(self):
        draw(self)
        fresh = dict(self._values)
        self._told, self._latest = getattr(self, "_latest", fresh), fresh

    def old(self, request, at_s):
        true, self._values = self._values, self._told
        try:
            return answer(self, request, at_s)
        finally:
            self._values = true

    monkeypatch.setattr(ModbusRtu, "draw", draw_late)
    monkeypatch.setattr(ModbusRtu, "answer", old)
    found = strike("Modbus RTU", "doubled reply", 5, seed=1)
    assert found.wrong == 5
    assert "allowed is a rate of 0" in defects([found])[0]
