"""``evenfall schedule``: plan a run, show and remove what is planned, start what is due."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Final

import tzlocal
from attrs import define, field
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from analysis import lab_folder
from analysis.durable import replace
from drivers.clock import Clock, SystemClock, VirtualClock
from rig import bench_lock, lamp, unattended
from rig.awake import kept_awake
from rig.correction_checks import named_curves
from rig.door_notice import door_notice, lasts_s
from rig.notices import Notices
from rig.operator import StopRequest
from rig.plan import Plan, read_plan
from rig.planned_run import PlannedProcess
from rig.profile import Profile, cross_check, read_profile
from rig.progress import duration
from rig.safety import cautions_text
from rig.schedule import Alarm
from rig.schedule_book import PLAN, PLANS, Book, Entry
from rig.schedule_loop import Loop
from rig.schedule_policy import ENDED, State
from rig.schedule_times import overlap, planned_runs
from rig.toml_faults import ConfigError

DONE, FAILED, STOPPED = 0, 1, 130
LOCK: Final = "schedule.lock"
#: What has ended is listed for so long: last night is looked at in the morning.
SHOWN_AFTER_END: Final = timedelta(days=2)


@define(kw_only=True)
class Room:
    """What the commands look at besides their files; other ones in tests."""

    clock: Clock = field(factory=SystemClock)
    console: Console = field(factory=lambda: Console(highlight=False))
    read_answer: Callable[[str], str] = field(default=input)
    zone_name: Callable[[], str] = field(default=tzlocal.get_localzone_name)

    def say(self, words: str) -> None:
        """Print a paragraph."""
        width = max(40, self.console.width - 1)
        for line in words.splitlines() or [""]:
            self.console.print(
                textwrap.fill(line, width, subsequent_indent="   ", break_long_words=False),
                markup=False,
                soft_wrap=True,
            )


def schedule_command(options: argparse.Namespace, room: Room | None = None) -> int:
    """Do what was asked and return the exit code.

    Raises
    ------
    LabFolderError
        There is no sound lab folder.
    """
    room = room or Room()
    lab_folder.check(options.lab)
    commands = {"add": add, "list": show, "remove": remove, "run": keep}
    return commands[options.what](options, room)


def add(options: argparse.Namespace, room: Room) -> int:
    """Plan a run, once everything that would refuse it has been looked at and acknowledged.

    Raises
    ------
    ConfigError
        Plan, profile or times cannot be used; every fault is listed.
    """
    plan, profile = read_plan(options.plan), read_profile(options.rig)
    if problems := cross_check(plan, profile):
        raise ConfigError(str(options.plan), problems)
    if refused := unattended.refusals(plan, profile):
        raise ConfigError(f"{options.plan}, unattended", refused)
    # A run on the bench in this process has the bench's time of day.
    run_clock = room.clock if profile.bench is None else VirtualClock()
    if refused := lamp.refusals(plan, profile, options.lab, run_clock):
        raise unattended.Refused("not planned: " + "; ".join(refused))
    book = Book(options.lab)
    book.refresh()
    zone_name = options.zone or room.zone_name()
    runs = planned_runs(options, room.clock.utc(), zone_name, book)
    name = _acknowledged(plan, profile, room)
    if name is None:
        room.say("Not planned: the checklist is not acknowledged.")
        return FAILED
    entries = [
        book.plan(
            run,
            files=copies(plan, profile),
            rig=options.rig,
            time_zone=zone_name,
            acknowledged_by=name,
        )
        for run in runs
    ]
    notice = options.lab / PLANS / entries[0].run.name / "door-notice.html"
    text = door_notice(
        plan,
        profile,
        runs=[(entry.run.name, _when(entry)) for entry in entries],
        contact=options.contact or name,
        isolator=options.isolator,
    )
    replace(notice, text)
    for entry in entries:
        room.say(f"Run {entry.run.name} is planned: {_when(entry)}.")
    least_s, most_s = lasts_s(plan, profile)
    room.say(
        f"It lasts at least {duration(least_s)}, at most about {duration(most_s)}; each fault that "
        f"it waits for may add {plan.trouble.pause_most_min:g} min."
    )
    book.refresh()
    for entry in entries:
        for other in overlap(entry, most_s, book.planned(), lambda one: _most_s(options.lab, one)):
            room.say(
                f"Remark: runs {entry.run.name} and {other.run.name} may overlap; the bench does "
                "one at a time, and the later one is missed if it has to wait for too long. "
                "Consider --after."
            )
    room.say(f"Print the door notice, {notice}, and hang it up.")
    _say_who_keeps(options.lab, room)
    return DONE


def show(options: argparse.Namespace, room: Room) -> int:
    """List what is planned and what has just ended; with ``--all`` whatever has ended."""
    book = Book(options.lab, keeps_ended=True)
    book.refresh()
    for problem in book.problems:
        room.say(problem)
    since = room.clock.utc() - SHOWN_AFTER_END
    shown = [
        name
        for name, record in book.records.items()
        if options.all or record.state not in ENDED or record.utc > since
    ]
    if not shown:
        room.say("Nothing is planned.")
        return DONE
    table = Table(box=box.HORIZONTALS, pad_edge=False, header_style="bold")
    for heading in ("run", "state", "starts", "test", "what is said"):
        table.add_column(heading, overflow="fold")
    for name in shown:
        entry, record = book.entries[name], book.records[name]
        cells = (name, record.state.value, _when(entry), _title(options.lab, entry), record.reason)
        table.add_row(*map(Text, cells))
    room.console.print(table)
    if any(book.records[name].state not in ENDED for name in shown):
        _say_who_keeps(options.lab, room)
    return DONE


def remove(options: argparse.Namespace, room: Room) -> int:
    """Take a run off the schedule, unless it is under way."""
    book = Book(options.lab)
    book.refresh()
    if options.run not in book.entries:
        raise ConfigError(
            str(book.path), [f"no run {options.run} is planned; see 'evenfall schedule list'"]
        )
    removed = book.note(
        options.run,
        State.REMOVED,
        room.clock.utc(),
        reason="by the operator",
        only_if=State.PLANNED,
    )
    if not removed:
        room.say(
            f"Run {options.run} is under way. To stop it, press Ctrl-C where 'evenfall schedule "
            "run' is (not an emergency stop)."
        )
        return FAILED
    room.say(f"Run {options.run} is removed.")
    return DONE


def keep(options: argparse.Namespace, room: Room) -> int:
    """Start planned runs when they are due, until asked to stop.

    Raises
    ------
    BenchInUse
        Another program keeps this schedule.
    ConfigError
        How notices are sent is not said soundly.
    LabFolderError, OSError
        The schedule cannot be read or written.
    """
    lab = options.lab
    notices = Notices.of_lab(lab, room.clock)
    handle = bench_lock.take(lab / LOCK)
    if handle is None:
        raise bench_lock.BenchInUse(f"the schedule of {lab} is kept by another program already")
    stop, alarm = StopRequest(), Alarm()
    try:
        with kept_awake("planned runs", room.clock) as word:
            room.say(word)
            room.say(f"Keeping the schedule of {lab}; Ctrl-C ends it (not an emergency stop).")
            Loop(
                book=Book(lab),
                clock=room.clock,
                waker=alarm,
                stop=stop,
                bench=lambda entry: bench_lock.hold(
                    read_profile(Path(entry.rig)), f"planned run {entry.run.name}", room.clock.utc()
                ),
                launch=lambda entry, lock: PlannedProcess(lab, entry, lock),
                say=lambda text: room.say(f"{room.clock.utc():%Y-%m-%d %H:%M:%S} UTC  {text}"),
                trouble=lambda entry, reason: notices.send(
                    "trouble", f"planned run {entry.run.name} was not carried out", reason
                ),
            ).run()
    finally:
        alarm.close()
        stop.release()
        bench_lock.BenchLock(handle, lab / LOCK).release()
    room.say(f"The schedule is kept no longer: {stop.reason}.")
    return STOPPED


def copies(plan: Plan, profile: Profile) -> dict[str, bytes]:
    """Return the plan and the curves that it names, so that later edits change nothing."""
    curves = named_curves(plan, profile)
    named = [copy for key, copy in curves.items() if key.startswith("corrections.")]
    return {PLAN: plan.text, **dict(named)}


# -- pieces ---------------------------------------------------------------------------------


def _acknowledged(plan: Plan, profile: Profile, room: Room) -> str | None:
    """Go through cautions and checklist with a person; their name, or None if one item is not."""
    room.say(cautions_text(plan.lamp.kind))
    room.say(
        "\nCHECKLIST for a bench that is left alone. The relay will light the lamp, and the stage "
        "will move, with nobody there. Go to the bench; answer each line with yes only if it is "
        "so (standards are named from memory; local rules come first).\n"
    )
    try:
        for number, item in enumerate(unattended.checklist(plan, profile), start=1):
            room.say(f"{number}. {item}")
            if room.read_answer("   yes / no > ").strip().lower() not in ("yes", "y"):
                return None
        return room.read_answer("Your name, for the record > ").strip() or None
    except EOFError:
        return None


def _say_who_keeps(lab: Path, room: Room) -> None:
    """Say if nobody is there to start what is planned."""
    handle = bench_lock.take(lab / LOCK)
    if handle is None:
        return
    bench_lock.BenchLock(handle, lab / LOCK).release()
    room.say(
        "Nobody keeps this schedule at the moment: planned runs are started by 'evenfall schedule "
        f"run --lab {lab}', which must be left running (hardware/computer.md)."
    )


def _most_s(lab: Path, entry: Entry) -> float:
    """Return how long a planned run lasts at most; 0 where its files cannot be read. [s]"""
    try:
        return lasts_s(read_plan(lab / entry.plan), read_profile(Path(entry.rig)))[1]
    except (ConfigError, OSError):
        return 0.0


def _when(entry: Entry) -> str:
    run = entry.run
    if run.start is None:
        return f"after run {run.after}"
    return f"{run.start:%Y-%m-%d %H:%M} {entry.time_zone}"


def _title(lab: Path, entry: Entry) -> str:
    try:
        return read_plan(lab / entry.plan).test.name
    except (ConfigError, OSError):
        return f"({entry.plan} cannot be read)"
