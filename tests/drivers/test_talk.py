"""A conversation goes on only as far as the bytes at hand allow."""

import math

import pytest

from drivers.clock import VirtualClock
from drivers.errors import NoReply
from drivers.talk import Talk, wait


class QuietLine:
    def __init__(self):
        self.waiting = b""

    def read(self):
        data, self.waiting = self.waiting, b""
        return data

    def readable(self):
        return bool(self.waiting)

    def fileno(self):
        return None


def conversation(*steps, result="done"):
    yield from steps
    return result


def test_nothing_happens_before_the_first_advance():
    talk = Talk()
    talk.begin(conversation(5.0))
    assert talk.wake_s == -math.inf


def test_wake_is_what_the_conversation_asked_for():
    talk = Talk()
    talk.begin(conversation(5.0, 7.0))
    assert talk.advance() is None
    assert talk.wake_s == 5.0
    assert talk.advance() is None
    assert talk.wake_s == 7.0
    assert talk.advance() == "done"
    assert talk.wake_s == math.inf
    assert not talk.is_under_way


def test_beginning_twice_is_a_fault_of_the_caller():
    talk = Talk()
    talk.begin(conversation(1.0))
    with pytest.raises(RuntimeError, match="under way"):
        talk.begin(conversation(1.0))


def test_polling_with_nothing_started_is_a_fault_of_the_caller():
    with pytest.raises(RuntimeError, match="nothing was started"):
        Talk().advance()


def test_a_failed_conversation_leaves_the_talk_idle():
    def failing():
        yield 1.0
        raise NoReply("light sensor", "nothing came")

    talk = Talk()
    talk.begin(failing())
    talk.advance()
    with pytest.raises(NoReply):
        talk.advance()
    assert not talk.is_under_way
    talk.begin(conversation(2.0))


def test_cancelling_closes_the_conversation():
    closed = []

    def careful():
        try:
            yield 1.0
        finally:
            closed.append(True)

    talk = Talk()
    talk.begin(careful())
    talk.advance()
    talk.end()
    assert closed == [True]
    talk.end()


def test_waiting_takes_unasked_bytes_off_the_line():
    clock, line = VirtualClock(), QuietLine()
    talk = Talk()
    talk.begin(wait(clock, line, 3.0))
    assert talk.advance() is None
    line.waiting = b"noise"
    assert talk.advance() is None
    assert not line.readable()
    clock.wait_until(3.0)
    assert talk.advance() == b"noise"
