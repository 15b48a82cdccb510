"""The person at the bench is asked politely, never waited for, and can always stop."""

from __future__ import annotations

import contextlib
import os
import signal

import pytest

from rig.operator import Prompt, StopRequest, TerminalOperator

QUESTION = Prompt(kind="lamp-off", text="Is the lamp off?", choices=("done", "redo", "stop"))


@pytest.fixture
def keyboard():
    read, write = os.pipe()
    with os.fdopen(read) as source:
        yield source, write
        with contextlib.suppress(OSError):
            os.close(write)


def asked(source):
    shown = []
    operator = TerminalOperator(source, lambda text, end: shown.append(text))
    operator.ask(QUESTION)
    return operator, shown


def test_a_question_without_an_answer_yet_returns_at_once(keyboard):
    operator, _ = asked(keyboard[0])
    # A blocking read would hang here: nothing was typed.
    assert operator.answer() is None


def test_half_a_line_is_no_answer(keyboard):
    operator, _ = asked(keyboard[0])
    os.write(keyboard[1], b"do")
    assert operator.answer() is None
    os.write(keyboard[1], b"ne\n")
    assert operator.answer() == "done"


@pytest.mark.parametrize(
    ("typed", "choice"), [("done", "done"), ("  DONE ", "done"), ("d", "done"), ("s", "stop")]
)
def test_an_answer_may_be_short_in_any_case(keyboard, typed, choice):
    operator, _ = asked(keyboard[0])
    os.write(keyboard[1], typed.encode() + b"\n")
    assert operator.answer() == choice


@pytest.mark.parametrize("typed", ["", "yes", "dones", "\x00"])
def test_an_unknown_answer_is_asked_again_with_the_choices(keyboard, typed):
    operator, shown = asked(keyboard[0])
    os.write(keyboard[1], typed.encode() + b"\n")
    assert operator.answer() is None
    assert "done, redo, stop" in shown[-1]
    os.write(keyboard[1], b"redo\n")
    assert operator.answer() == "redo"


def test_what_a_person_typed_before_the_question_is_no_answer(keyboard, monkeypatch):
    monkeypatch.setattr(os, "isatty", lambda fd: True)
    operator, _ = asked(keyboard[0])
    os.write(keyboard[1], b"done\ndone\n")
    assert operator.answer() == "done"
    os.write(keyboard[1], b"done\n")
    operator.ask(QUESTION)
    assert operator.answer() is None
    os.write(keyboard[1], b"redo\n")
    assert operator.answer() == "redo"


def test_two_answers_typed_ahead_into_a_pipe_are_taken_one_by_one(keyboard):
    operator, _ = asked(keyboard[0])
    os.write(keyboard[1], b"done\nstop\n")
    assert operator.answer() == "done"
    operator.ask(QUESTION)
    assert operator.readable()
    assert operator.answer() == "stop"


def test_a_closed_keyboard_means_stop(keyboard):
    operator, _ = asked(keyboard[0])
    os.close(keyboard[1])
    assert operator.answer() is None or operator.answer() == "stop"
    assert operator.answer() == "stop"


def test_a_closed_keyboard_never_means_yes(keyboard):
    operator = TerminalOperator(keyboard[0], lambda text, end: None)
    operator.ask(Prompt(kind="cautions", text="Read?", choices=("yes", "no")))
    os.close(keyboard[1])
    operator.answer()
    assert operator.answer() == "no"


@pytest.mark.parametrize("number", StopRequest.SIGNALS)
def test_a_signal_leaves_its_name_and_wakes_the_loop(number):
    stop = StopRequest()
    try:
        assert not stop.readable()
        os.kill(os.getpid(), number)
        assert stop.readable()
        assert signal.Signals(number).name in stop.reason
    finally:
        stop.release()


def test_handlers_are_put_back():
    before = signal.getsignal(signal.SIGTERM)
    StopRequest().release()
    assert signal.getsignal(signal.SIGTERM) == before
