"""`evenfall run`: from a plan and a profile to a closed run folder.

The order matters: everything that can be refused is refused before a folder is made, the
folder exists before anything moves, and whatever ends the run, the ports are released and
what was read is on disk.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from analysis import lab_folder, lab_records, run_folder
from analysis.grid import grid_from_plan
from analysis.interruptions import DOUBTED
from analysis.lab_entries import LampEntry
from analysis.stabilisation import rule_from_plan
from drivers.clock import Clock, SystemClock, Watchdog
from drivers.errors import DriverError
from drivers.registry import KINDS
from rig import series
from rig.attendant import Attendant
from rig.build import Bench
from rig.correction_checks import named_curves
from rig.done import Done, look_back
from rig.faults import RunStopped
from rig.lamp import Lamp, refusals
from rig.lamp_records import not_seasoned
from rig.logbook import Logbook
from rig.operator import Operator, StopRequested
from rig.plan import Plan
from rig.power_watch import MOST_SHARE
from rig.profile import Profile
from rig.progress import RunProgress
from rig.recorder import Recorder, RecorderError
from rig.sequence import Sequence
from rig.storage import Storage
from rig.temperature import Temperature
from rig.warm_up import WarmUp
from rig.watches import STUCK_S, DiskWatch, LampOnLimit, TimeWatch, end_stuck_program


def run(
    plan: Plan,
    profile: Profile,
    lab: Path,
    *,
    bench: Bench,
    operator: Operator,
    stop: StopRequested,
    progress: RunProgress,
    storage: Storage | None = None,
    begun: Callable[[Path, Logbook], None] | None = None,
) -> Path:
    """Measure what the plan says and return the closed run folder.

    Parameters
    ----------
    begun : callable, optional
        ``begun(folder, log)`` is called once the folder is there, before anything moves.

    Raises
    ------
    RunStopped
        The run ended early; its `folder` holds everything up to that moment.
    RecorderError
        The folder could not be made or written.
    """
    if found := [*refusals(plan, profile, lab, bench.clock), *series.refusals(plan, lab)]:
        raise RunStopped("measurement refused: " + "; ".join(found))
    utc = bench.clock.utc()
    folder = lab_folder.new_run_folder(lab, utc, plan.device.name)
    curves = named_curves(plan, profile)
    recorder = Recorder.create(
        folder,
        descriptor={
            "title": plan.test.name,
            "created": utc.isoformat(timespec="seconds"),
            "instruments": describe_instruments(profile),
            "curves": {key: name for key, (name, _) in curves.items()},
            "sha256": {
                run_folder.PLAN: hashlib.sha256(plan.text).hexdigest(),
                run_folder.RIG: hashlib.sha256(profile.text).hexdigest(),
            },
        },
        plan_text=plan.text,
        rig_text=profile.text,
        storage=storage,
    )
    with recorder:
        _attach_records(recorder, lab, plan, profile)
        for name, data in dict(curves.values()).items():
            recorder.attach(name, data)
        log = Logbook(clock=bench.clock, recorder=recorder)
        log.event("run-begun", plan.device.name, plan.test.name)
        if told := not_seasoned(lab, plan):
            log.event("note", "lamp", told)
        if begun is not None:
            begun(folder, log)
        measure(
            plan,
            profile,
            lab,
            log,
            look_back(folder, grid_from_plan(plan.raw), plan.sampling.samples_per_point),
            bench=bench,
            operator=operator,
            stop=stop,
            progress=progress,
        )
    return folder


def measure(
    plan: Plan,
    profile: Profile,
    lab: Path,
    log: Logbook,
    done: Done,
    *,
    bench: Bench,
    operator: Operator,
    stop: StopRequested,
    progress: RunProgress,
) -> None:
    """Do what is not done yet of a run, and close its folder.

    Raises
    ------
    RunStopped
        The run ended early; its `folder` holds everything up to that moment.
    RecorderError
        The folder could not be written.
    """
    recorder, folder = log.recorder, log.recorder.folder
    log.saturated_umol_m2_s = profile.light_sensor.options.full_scale_umol_m2_s or math.inf
    grid = grid_from_plan(plan.raw)
    most_w = plan.trouble.wall_power_most_w or MOST_SHARE * plan.lamp.rated_power_w
    time_watch = TimeWatch(log)
    on_limit = LampOnLimit(3600.0 * plan.trouble.lamp_on_most_h)
    attendant = Attendant(
        bench.clock,
        bench.instruments,
        log,
        operator,
        stop,
        # A display is read off when it is asked for.
        power_interval_s=math.inf
        if KINDS[profile.power_meter.kind].by_hand
        else plan.sampling.power_interval_s,
        power_averaging_s=profile.power_meter.options.averaging_s,
        most_power_w=most_w,
        watches=[on_limit, DiskWatch(bench.clock, folder), time_watch],
    )
    lamp = Lamp(plan, profile, lab, attendant, folder.name)
    if profile.thermometer is not None:
        Temperature(attendant, profile.thermometer.options)
    rule = rule_from_plan(plan.raw)
    if bench.lead is not None:
        bench.lead.begin(grid, plan.device.name, plan.lamp.rated_power_w, log.event)
    sequence = Sequence(
        plan,
        grid,
        rule,
        attendant,
        progress,
        lamp,
        on_limit,
        done,
        lambda: look_back(folder, grid, plan.sampling.samples_per_point),
        bench.lead,
    )
    if isinstance(bench.clock, SystemClock):
        time_watch.watchdog = Watchdog(STUCK_S, end_stuck_program)
    try:
        sequence.run()
    except RecorderError:
        _make_safe(attendant, lamp, note=False)
        _remind(sequence.warm_up, lamp, progress)
        raise
    except BaseException as fault:
        _make_safe(attendant, lamp)
        _remind(sequence.warm_up, lamp, progress)
        if isinstance(fault, RunStopped):
            fault.folder = folder
            if fault.doubts:
                log.event(DOUBTED, fault.subject, fault.reason)
        log.event("stopped", "", str(fault) or repr(fault))
        recorder.close()
        raise
    finally:
        if time_watch.watchdog is not None:
            time_watch.watchdog.end()
        progress.hold()
        warm_up = sequence.warm_up
        note_burning(
            lab, plan, folder, bench.clock, burned_s=warm_up.burned_s(), starts=warm_up.starts
        )
    recorder.close()
    lab_folder.rebuild_index(lab)


def _attach_records(recorder: Recorder, lab: Path, plan: Plan, profile: Profile) -> None:
    """Copy what the lab knows of these instruments and this lamp, so that the run stands alone."""
    serials = [entry.options.serial_number for entry in profile.instruments.values()]
    copies = lab_records.copies_for_run(
        lab, instruments=[serial for serial in serials if serial], lamps=[plan.lamp.sample]
    )
    for name, data in copies.items():
        recorder.attach(name, data)


def note_burning(
    lab: Path, plan: Plan, folder: Path, clock: Clock, *, burned_s: float, starts: int
) -> None:
    """Add to the lab's record of lamps what one has burned in a run. [s]"""
    if not plan.lamp.sample or not (burned_s or starts):
        return
    lab_records.add_lamp(
        lab,
        LampEntry(
            utc=clock.utc(),
            lamp=plan.lamp.sample,
            event="burned",
            hours_added=round(burned_s / 3600.0, 3),
            starts_added=starts,
            detail=folder.name,
        ),
    )


def _remind(warm_up: WarmUp, lamp: Lamp, progress: RunProgress) -> None:
    """A lamp lit by hand burns on when the run has stopped; only a person can help that."""
    if warm_up.is_lit and not lamp.is_lit_by_relay:
        progress.hold()
        progress.phase("The lamp may still be lit", "switch it off by hand")


def _make_safe(attendant: Attendant, lamp: Lamp, *, note: bool = True) -> None:
    """Stop motion and open the lamp circuit, before anything is written about it.

    A port that is gone cannot be told, and must not hide the first fault.
    """
    troubles = {}
    try:
        attendant.cancel_all()
    except DriverError as fault:
        troubles["stage"] = f"could not be told to stop: {fault}"
    finally:
        problem = lamp.drop()
    if problem is not None:
        troubles["lamp_relay"] = problem
    for subject, trouble in troubles.items() if note else ():
        attendant.log.event("fault", subject, trouble)


def describe_instruments(profile: Profile) -> list[dict[str, Any]]:
    """Return what the descriptor says about each instrument: kind, port, provenance."""
    described = []
    for section, entry in profile.instruments.items():
        options = entry.options
        described.append(
            {
                "name": section,
                "kind": entry.kind,
                "port": options.port if not KINDS[entry.kind].by_hand else None,
                "serial_number": options.serial_number,
                "calibrated_on": str(options.calibrated_on or "") or None,
                "calibration_due": str(options.calibration_due or "") or None,
                **({"place": options.place} if section == "thermometer" else {}),
            }
        )
    return described
