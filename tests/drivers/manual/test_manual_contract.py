"""What a person serves keeps the promises of `drivers.contracts` too, by a desk in memory."""

from __future__ import annotations

import math

import pytest

from drivers import registry
from drivers.clock import VirtualClock
from drivers.contracts import Position
from drivers.errors import GarbledReply, MotionRefused
from drivers.manual.desk import Carry, ReadOff
from tests.drivers.manual.desk import DeskInMemory

BY_HAND = {name: kind for name, kind in registry.KINDS.items() if kind.by_hand}
QUANTITY = {"keyed": "ppfd_umol_m2_s", "keyed-power-meter": "wall_power_w"}


class Wish(Exception):
    pass


class Served:
    def __init__(self, name: str, **options: object) -> None:
        self.kind = BY_HAND[name]
        self.desk, self.clock = DeskInMemory(), VirtualClock()
        made = self.kind.options(**options)
        self.instrument = self.kind.make(made, self.desk, self.clock, "thing at hand")
        self.typed = "" if name == "manual" else "612,5"

    def begin(self) -> float:
        if self.kind.role == "stage":
            begun: float = self.instrument.start_move(150.0, 450.0)
            return begun
        return float(self.instrument.start())


@pytest.fixture(params=BY_HAND)
def served(request):
    return Served(request.param)


def test_only_what_a_person_serves_goes_without_a_far_end():
    """Whoever has a line is held to the contract by its bytes, in `test_contract`."""
    for kind in registry.KINDS.values():
        module = kind.options.__module__
        assert kind.by_hand == module.startswith("drivers.manual."), kind.name
    assert {kind.role for kind in BY_HAND.values()} == {"stage", "light_sensor", "power_meter"}


def test_nobody_is_asked_by_making_it(served):
    assert served.desk.question is None
    assert served.instrument.wake_s == math.inf
    assert list(served.instrument.lines) == [served.desk]
    assert served.instrument.device.startswith("thing at hand, by hand")


def test_it_waits_for_the_person_and_for_nothing_else(served):
    for _ in range(3):
        assert served.begin() == served.clock.elapsed_s()
        assert served.desk.question is not None
        assert served.instrument.wake_s == math.inf
        for _ in range(3):
            assert served.instrument.poll() is None
        served.desk.typed = served.typed
        assert served.instrument.poll() is not None
        assert served.instrument.wake_s == math.inf
        with pytest.raises(RuntimeError):
            served.instrument.poll()


def test_it_is_polled_when_its_desk_counts_down(served):
    served.begin()
    served.desk.wake_s = 7.0
    assert served.instrument.wake_s == 7.0


def test_it_says_who_it_is_without_asking_anybody(served):
    served.instrument.start_identify()
    assert served.instrument.wake_s <= served.clock.elapsed_s()
    assert served.instrument.poll_identity() == "by hand"
    assert served.desk.question is None
    with pytest.raises(RuntimeError):
        served.instrument.poll_identity()


def test_a_declared_serial_number_is_part_of_who_it_is():
    served = Served("keyed", serial_number="Q-7")
    served.instrument.start_identify()
    assert served.instrument.poll_identity() == "by hand, serial number Q-7 as declared"


def test_given_up_the_question_is_taken_back(served):
    served.instrument.cancel()
    served.begin()
    served.instrument.cancel()
    served.instrument.cancel()
    assert served.desk.question is None
    with pytest.raises(RuntimeError):
        served.instrument.poll()
    served.instrument.close()
    served.instrument.close()


def test_beginning_twice_is_a_fault_of_the_caller(served):
    served.begin()
    with pytest.raises(RuntimeError):
        served.begin()
    with pytest.raises(RuntimeError):
        served.instrument.start_identify()


def test_another_wish_of_the_person_ends_it_and_is_passed_on(served):
    served.begin()
    served.desk.wish = Wish()
    with pytest.raises(Wish):
        served.instrument.poll()
    assert served.desk.question is None
    served.begin()
    served.desk.typed = served.typed
    assert served.instrument.poll() is not None


def test_there_are_no_characters_on_a_wire(served):
    with pytest.raises(TypeError, match="by hand"):
        served.kind.line_settings(served.kind.options())


@pytest.mark.parametrize("name", QUANTITY)
def test_what_was_typed_is_the_raw_reply_of_its_reading(name):
    served = Served(name)
    served.begin()
    assert served.desk.question == ReadOff(QUANTITY[name])
    served.clock.wait_until(20.0)
    served.desk.typed = " 612,5"
    (reading,) = served.instrument.poll()
    assert reading.quantity == QUANTITY[name]
    assert reading.value == 612.5
    assert reading.raw == b" 612,5"


def test_a_light_reading_counts_for_the_time_before_it_was_typed():
    served = Served("keyed", averaging_s=4.0)
    served.begin()
    served.clock.wait_until(20.0)
    served.desk.typed = "612"
    (reading,) = served.instrument.poll()
    assert (reading.window_start_s, reading.window_end_s) == (16.0, 20.0)


def test_a_display_of_power_has_no_window_that_is_known():
    served = Served("keyed-power-meter")
    served.begin()
    served.desk.typed = "640"
    (reading,) = served.instrument.poll()
    assert math.isnan(reading.window_start_s)
    assert math.isnan(reading.window_end_s)


@pytest.mark.parametrize("text", ["", "-", " – "])
def test_a_value_that_is_left_out_is_missing(text):
    served = Served("keyed-power-meter")
    served.begin()
    served.desk.typed = text
    (reading,) = served.instrument.poll()
    assert reading.is_missing


def test_what_is_no_number_never_becomes_a_value():
    served = Served("keyed")
    served.begin()
    served.desk.typed = "6l2"
    with pytest.raises(GarbledReply, match="'6l2' was typed, which is no number"):
        served.instrument.poll()
    assert served.instrument.wake_s == math.inf


def test_the_sensor_stands_where_a_person_was_told_to_carry_it():
    served = Served("manual")
    stage = served.instrument
    stage.start_home()
    assert stage.wake_s <= served.clock.elapsed_s()
    assert stage.poll() is not None  # nobody has to do anything
    stage.start_move(150.0, 450.0)
    assert served.desk.question == Carry(150.0, 450.0)
    assert stage.still_since_s is None
    served.clock.wait_until(12.0)
    served.desk.typed = ""
    assert stage.poll() == Position(150.0, 450.0)
    assert stage.still_since_s == 12.0
    stage.stop()


def test_nobody_can_carry_a_sensor_to_another_mounting_height():
    served = Served("manual")
    assert not served.instrument.has_height_axis
    with pytest.raises(MotionRefused, match="no height axis"):
        served.instrument.start_move(0.0, 0.0, 450.0)
    assert served.desk.question is None
