"""The door notice says what, when, whom to call and how to isolate, and hides nothing unknown."""

from __future__ import annotations

from html.parser import HTMLParser

from attrs import evolve

from rig.door_notice import door_notice, lasts_s
from rig.estimate import estimate
from rig.plan import read_plan
from rig.profile import read_profile
from tests.rig.test_schedule_commands import changed, lab_of


class Words(HTMLParser):
    """The text of a page, as it is read, and the tags that are left open."""

    def __init__(self, page):
        super().__init__()
        self.words, self.open = [], []
        self.feed(page)
        self.text = " ".join(" ".join(self.words).split())

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "title"):
            self.words.append(data)

    def handle_starttag(self, tag, _attrs):
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def notice(folder, *, contact="R. Tester, 0123 456", isolator="left of the door", **lamp):
    lab_of(folder)
    if lamp:
        changed(folder / "plan.toml", "lamp", **lamp)
    plan, profile = read_plan(folder / "plan.toml"), read_profile(folder / "rig.toml")
    page = Words(
        door_notice(
            plan,
            profile,
            runs=[("7", "2026-01-05 22:00 Europe/Berlin"), ("8", "after run 7")],
            contact=contact,
            isolator=isolator,
        )
    )
    assert page.open == []
    return page.text


def test_it_says_what_when_whom_to_call_and_how_to_isolate(tmp_path):
    text = notice(tmp_path)
    for said in (
        "Keep out",
        "Reflector A by night (Brook)",
        "high-pressure sodium, 600 W",
        "2026-01-05 22:00 Europe/Berlin (run 7), after run 7 (run 8)",
        "Isolate the lamp circuit and the stage from outside: left of the door",
        "Then call: R. Tester, 0123 456",
        "after up to 20 s",
        "not an emergency stop",
        "IEC 62035, IEC 60598, 21 CFR 1040.30",
        "all from memory",
    ):
        assert said in text
    assert "once a week" not in text
    assert "None" not in text


def test_metal_halide_has_its_weekly_rest_and_led_no_bulb_that_bursts(tmp_path):
    (tmp_path / "mh").mkdir()
    assert "off for at least 15 minutes once a week" in notice(tmp_path / "mh", kind="metal halide")
    (tmp_path / "led").mkdir()
    text = notice(tmp_path / "led", kind="LED")
    assert "burst" not in text
    assert "Bright light hurts eyes" in text


def test_what_a_person_writes_cannot_change_the_page(tmp_path):
    text = notice(tmp_path, contact="<script>alert(1)</script> & Co", isolator="")
    assert "Then call: <script>alert(1)</script> & Co" in text  # as text, not as a tag
    assert "from outside: Fire or smoke" in text  # an empty line to write on


def test_the_longest_time_counts_each_warm_up_at_its_longest(tmp_path):
    lab_of(tmp_path)
    plan, profile = read_plan(tmp_path / "plan.toml"), read_profile(tmp_path / "rig.toml")
    least = estimate(plan, profile)
    [warm] = [step for step in least.steps if step.at_least]
    # One warm-up, of 1200 s at most, and 60 s for which the lamp has to be off before.
    longest_s = least.duration_s - warm.duration_s + 1200.0 + 60.0
    assert lasts_s(plan, profile) == (least.duration_s, longest_s)
    short = evolve(plan, warm_up=evolve(plan.warm_up, maximum_s=warm.duration_s))
    assert lasts_s(short, profile) == (least.duration_s, least.duration_s + 60.0)
