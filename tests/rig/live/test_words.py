"""Events are told in sentences, also those nobody thought of."""

from __future__ import annotations

import pytest

from rig.live.words import asked, said


def event(name: str, subject: str = "", detail: str = "") -> dict[str, str]:
    return {"event": name, "subject": subject, "detail": detail}


@pytest.mark.parametrize(
    ("happened", "words"),
    [
        (event("lamp-lit", "L-07"), "Lamp L-07 is lit."),
        (
            event("fault", "light_sensor", "no reply to '0M!' in 1.0 s."),
            "Light sensor: a try failed. no reply to '0M!' in 1.0 s.",
        ),
        (event("note", "lamp", "not seasoned."), "Note: not seasoned."),
        (event("lamp-burned-on", "L-07"), "Lamp L-07 burned on meanwhile."),
        (event("caution-acknowledged", "bench team"), ""),
        (event("something-new", "power_meter", "42"), "something new: power meter: 42"),
    ],
)
def test_an_event_is_told_in_plain_words(happened, words):
    assert said(happened) == words


def test_a_long_prompt_is_cut_at_a_word_and_the_cautions_are_not_recited():
    long = asked(event("prompt", "height", "word " * 100))
    assert len(long) <= 242
    assert long.endswith("word …")
    assert asked(event("prompt", "cautions", "CAUTIONS " * 100)) == (
        "Are the cautions read, and is the test area clear?"
    )
