"""The journal of the morning: what happened, when, and what it means, from the events alone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import run_folder
from analysis.report.build import render
from analysis.report.findings import find
from analysis.report.journal import MOST_LINES, journal
from analysis.summary import summarise
from tests.synthetic_run import write_run

#: 23:00 on one day; an hour later the day has changed.
BEGUN = datetime(2026, 1, 5, 23, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def quiet(tmp_path_factory):
    folder = write_run(
        tmp_path_factory.mktemp("runs") / "quiet", field=lambda x, y, h: 500.0 - 0.01 * x
    )
    run = run_folder.load(folder)
    return run, summarise(run)


def with_events(summary, *events, complete=True, ended=True):
    """Put other events in: (minutes, name, subject, detail)."""
    begun = (0.0, "run-begun", "Reflector A", "A test")
    end = [(240.0, "run-ended", "", "complete")] if ended else []
    rows = tuple(
        {
            "elapsed_s": 60.0 * minutes,
            "utc": BEGUN + timedelta(minutes=minutes),
            "event": name,
            "subject": subject,
            "detail": detail,
        }
        for minutes, name, subject, detail in [begun, *events, *end]
    )
    return evolve(summary, events=rows, is_complete=complete)


def test_a_quiet_night_is_one_sentence(quiet):
    _, summary = quiet
    told = journal(with_events(summary, (5.0, "lamp-lit", "", ""), (40.0, "lamp-stable", "", "")))
    assert told.headline == (
        "Complete: 2026-01-05 23:00 to 6 Jan 03:00 UTC, 4 h 00 min. 1 map read, every point of it."
    )
    assert told.lines == ()


def test_failed_tries_of_one_instrument_are_one_line_with_what_they_mean(quiet):
    _, summary = quiet
    told = journal(
        with_events(
            summary,
            (70.0, "fault", "light_sensor", "light sensor, no reply to '0M!' in 1.0 s."),
            (70.0, "fault", "power_meter", "bad check sum"),
            (71.0, "retry", "light_sensor", "no reply to '0M!' in 1.0 s."),
            (90.0, "retry", "light_sensor", "garbled"),
        )
    )
    sensor, meter = told.lines
    assert sensor.when == "6 Jan 00:10"
    assert sensor.what == (
        "Light sensor: 3 tries failed until 6 Jan 00:30 (the first: no reply to '0M!' in 1.0 s)."
    )
    assert "are in no result" in sensor.means
    assert meter.what == "Power meter: a try failed (bad check sum)."


def test_a_pause_has_its_length_and_a_pause_without_end_says_so(quiet):
    _, summary = quiet
    paused = (60.0, "paused", "light_sensor", "measurement fault: no reply (4 tries)")
    [line] = journal(with_events(summary, paused, (72.0, "pause-ended", "light_sensor", ""))).lines
    assert line.what == "Paused for 12 min: measurement fault: no reply (4 tries)."
    assert "reference point was read before any other" in line.means
    stopped = (75.0, "stopped", "", "measurement fault: no reply. Paused for 15 min, no longer.")
    told = journal(with_events(summary, paused, stopped, complete=False, ended=False))
    [line] = told.lines  # that it stopped is the headline's
    assert line.what == "Paused: measurement fault: no reply (4 tries)."
    assert "measurement fault: no reply. Paused for 15 min, no longer." in told.headline


def test_a_stopped_run_says_why_in_its_first_line_and_what_is_kept(quiet):
    _, summary = quiet
    partial = evolve(summary.maps[0], n_used=43, n_expected=81)
    stopped = (200.0, "stopped", "", "hazard: wall power fell from 640.0 W to 0.0 W.")
    told = journal(
        evolve(with_events(summary, stopped, complete=False, ended=False), maps=(partial,))
    )
    assert told.headline.startswith(
        "Stopped at 6 Jan 02:20 UTC, 3 h 20 min after it began (2026-01-05 23:00): hazard: wall "
        "power fell from 640.0 W to 0.0 W. 1 map begun; not all read: "
    )
    assert told.headline.endswith("43 of 81 points. What was read is kept.")


def test_a_run_that_was_killed_says_so_also_after_it_was_gone_on_with(quiet):
    _, summary = quiet
    killed = with_events(summary, (5.0, "lamp-lit", "", ""), complete=False, ended=False)
    assert journal(killed).headline.startswith("Ended without a word (killed, or power cut): ")
    again = with_events(
        summary,
        (5.0, "stopped", "", "stopped by the operator"),
        (50.0, "run-resumed", "Reflector A", "45 min after the last row; stopped"),
        complete=False,
        ended=False,
    )
    told = journal(again)
    assert told.headline.startswith("Ended without a word")
    assert told.lines[-1].what == "Gone on with, 45 min after the last row; stopped."
    assert "Points read before stand" in told.lines[-1].means


@pytest.mark.parametrize(
    ("event", "said", "means"),
    [
        (
            ("unattended", "R. Tester", "planned run 7; cautions and checklist acknowledged"),
            "Run with nobody there: planned run 7",
            "Nobody saw the bench",
        ),
        (("dark-skipped", "", "cap on"), "No dark reading: cap on.", "Nothing was subtracted"),
        (("warm-up-timeout", "", ""), "longest wait passed", "settling while points were read"),
        (
            ("reference-unlike", "", "500 before, 540 now: +8.00 %, allowed 1 %"),
            "did not agree after the interruption: 500 before",
            "by the drift correction alone",
        ),
        (("reference-agrees", "", "+0.10 %"), "agrees after", "belongs together"),
        (("readings-doubted", "", "the lamp went out"), "Put in doubt what", "in no result"),
        (("return-check", "", "-0.2 % at 5 points"), "Back at the first height", "stayed the same"),
        (("clock-stepped", "", "moved by +3600 s"), "clock was set: moved", "Order and intervals"),
        (("torn-tail", "readings.csv", "12 bytes"), "cut off as it was written", "acknowledged"),
        (("answer", "suspect", "re-read"), "were read again", "later reading counts"),
        (("answer", "suspect", "keep"), "kept as they were", "noise"),
    ],
)
def test_what_is_out_of_the_ordinary_has_a_line_with_its_meaning(quiet, event, said, means):
    _, summary = quiet
    [line] = journal(with_events(summary, (60.0, *event))).lines
    assert said in line.what
    assert means in line.means


def test_a_second_lighting_is_told_unless_the_device_was_hung_anew_before_it(quiet):
    _, summary = quiet
    lit, hung = ("lamp-lit", "", ""), ("hung", "Reflector A", "installation 2")
    planned = with_events(summary, (1.0, *hung), (5.0, *lit), (80.0, *hung), (100.0, *lit))
    assert journal(planned).lines == ()
    [line] = journal(with_events(summary, (5.0, *lit), (100.0, *lit))).lines
    assert (line.when, line.what) == ("6 Jan 00:40", "The lamp was lit again.")


def test_more_than_can_be_read_is_counted(quiet):
    _, summary = quiet
    steps = [(float(n), "clock-stepped", "", f"by {n} s") for n in range(1, MOST_LINES + 6)]
    told = journal(with_events(summary, *steps))
    assert (len(told.lines), told.further) == (MOST_LINES, 5)


def test_a_run_without_events_has_no_journal(quiet):
    _, summary = quiet
    assert journal(evolve(summary, events=())) is None


def test_the_journal_stands_above_the_key_numbers_and_shows_text_as_text(quiet):
    _, summary = quiet
    told = with_events(summary, (60.0, "fault", "stage", "<b>alarm</b> 1"))
    html = render(find([told]), made_utc="2026-01-06T06:00:00Z")
    assert html.index("What happened, in short</h2>") < html.index('<section id="key">')
    assert "&lt;b&gt;alarm&lt;/b&gt; 1" in html
    assert "it homes before it moves again" in html
    quiet_html = render(find([with_events(summary)]), made_utc="2026-01-06T06:00:00Z")
    assert "Nothing out of the ordinary" in quiet_html


NAMES = [
    "fault",
    "retry",
    "paused",
    "pause-ended",
    "stopped",
    "run-resumed",
    "run-ended",
    "lamp-lit",
    "hung",
    "answer",
    "prompt",
    "note",
    "reference-agrees",
    "reference-unlike",
    "readings-doubted",
    "unattended",
    "clock-stepped",
    "something-new",
]


@settings(deadline=None, derandomize=True, max_examples=200)
@given(
    st.lists(
        st.tuples(
            st.floats(0.0, 3000.0),
            st.sampled_from(NAMES),
            st.sampled_from(["", "stage", "light_sensor", "suspect"]),
            st.text(max_size=300),
        ),
        max_size=30,
    )
)
def test_any_course_of_events_has_a_journal_of_bounded_length(quiet, happened):
    _, summary = quiet
    told = journal(with_events(summary, *sorted(happened, key=lambda one: one[0]), ended=False))
    assert len(told.lines) <= MOST_LINES
    for line in told.lines:
        assert line.when
        assert "\n" not in line.what
        assert len(line.what) < 500
