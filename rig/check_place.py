"""What a run needs besides instruments: calibrations in date, room on the disk, a free folder."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Final

from analysis import lab_folder, lab_records
from analysis.lab_records import LabFolderError
from drivers import finding
from rig import awake
from rig import notices as notice_ways
from rig.check_findings import Finding, Weight
from rig.profile import Profile
from rig.storage import OsStorage
from rig.toml_faults import ConfigError

#: Less room than this is refused, however short the run. [bytes]
LEAST_FREE_BYTES: Final = 200_000_000
#: A run may take more room than estimated, and other programs write too.
FREE_TIMES: Final = 10.0
#: The clock may be so much behind the newest record.
CLOCK_BEHIND: Final = timedelta(minutes=5)
#: A calibration that ends so soon is worth a remark. [d]
SOON_DAYS: Final = 30
#: Sections the readings of which stand in a report, so that a missing date is worth a word.
CALIBRATED: Final = ("light_sensor", "monitor_sensor", "power_meter", "thermometer")


def calibrations(profile: Profile, today: date) -> Iterator[Finding]:
    """Find calibrations that are overdue, soon due, or not stated."""
    for section, entry in profile.instruments.items():
        options = entry.options
        due, done = options.calibration_due, options.calibrated_on
        if done is not None and done > today:
            yield Finding(
                section,
                f"calibrated_on {done} lies in the future (today is {today}).",
                "Correct the date, or the clock of this computer.",
                Weight.RESULT,
            )
        if due is not None and due < today:
            days = (today - due).days
            yield Finding(
                section,
                f"its calibration was due on {due}, {days} day{'s' if days != 1 else ''} ago.",
                "Have it calibrated, or state the new date in calibration_due.",
                Weight.RESULT,
            )
        elif due is not None and (due - today).days <= SOON_DAYS:
            yield Finding(
                section, f"its calibration is due on {due}.", "Plan for it.", Weight.REMARK
            )
    unstated = [
        section
        for section, entry in profile.instruments.items()
        if section in CALIBRATED and entry.options.calibration_due is None
    ]
    if unstated:
        yield Finding(
            ", ".join(unstated),
            "calibration_due is not stated.",
            "State calibrated_on and calibration_due from the certificate, so that reports can "
            "say what they rest on.",
            Weight.REMARK,
        )


def disk(lab: Path, needed_bytes: float) -> Iterator[Finding]:
    """Find out whether a run can be kept in a lab folder.

    Parameters
    ----------
    lab : Path
        The lab folder, which need not be there yet.
    needed_bytes : float
        What the run is estimated to write; 0 without a plan. [bytes]
    """
    there = next(folder for folder in (lab.absolute(), *lab.absolute().parents) if folder.exists())
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        yield Finding(f"{lab}", f"{there} may not be written to by you.", "Give another --lab.")
        return
    least_bytes = max(LEAST_FREE_BYTES, FREE_TIMES * needed_bytes)
    free_bytes = shutil.disk_usage(there).free
    if free_bytes < least_bytes:
        yield Finding(
            f"{lab}",
            f"{free_bytes / 1e6:.0f} MB are free on its disk, {least_bytes / 1e6:.0f} MB are "
            "wanted.",
            "Free some space, or give a --lab on another disk.",
        )
    if lab.is_dir() and any(lab.iterdir()):
        try:
            lab_folder.check(lab)
        except LabFolderError as error:
            yield Finding(f"{lab}", str(error).removeprefix(f"{lab}: "), "Or give another --lab.")
            return
        yield from _recording(lab)


def _recording(lab: Path) -> Iterator[Finding]:
    """Find a run that is being recorded: it has the instruments."""
    storage = OsStorage()
    for folder in sorted((lab / "runs").iterdir()):
        try:
            storage.close(storage.hold_folder(folder))
        except BlockingIOError:
            yield Finding(
                f"{lab}",
                f"a run is being recorded into {folder.name}.",
                "Wait for it or stop it; two runs cannot share a bench.",
            )
        except OSError:
            continue  # not a folder, or not ours: no run of ours is in it


def clock(lab: Path, now_utc: datetime) -> Iterator[Finding]:
    """Find a clock that is behind what the lab has on record: times and dates would be wrong."""
    try:
        newest = max(
            (
                entry.utc
                for record in (lab_records.read_lamps(lab), lab_records.read_instruments(lab))
                for entry in record.entries
            ),
            default=None,
        )
    except LabFolderError:
        return  # there is no lab folder yet, or `disk` says what is wrong with it
    if newest is not None and newest - now_utc > CLOCK_BEHIND:
        yield Finding(
            "this computer",
            f"its clock says {now_utc:%Y-%m-%d %H:%M} UTC, and the lab has a record of "
            f"{newest:%Y-%m-%d %H:%M} UTC.",
            "Set the clock, by the network if possible; or correct the record by a further line.",
        )


def wakefulness() -> Iterator[Finding]:
    """Find out whether the computer can be kept awake for as long as a run lasts."""
    if not awake.can_be_kept():
        yield Finding(
            "this computer",
            "cannot be kept awake by this program: systemd-inhibit is not there.",
            "Switch off suspend, and closing the lid with it, in its settings.",
            Weight.REMARK,
        )


def notices(lab: Path) -> Iterator[Finding]:
    """Find out whether notices can be sent as the lab's file says."""
    path = lab / notice_ways.FILE
    if not path.is_file():
        return
    try:
        ways = notice_ways.read_ways(path)
    except ConfigError as error:
        for problem in error.problems:
            yield Finding(path.name, problem, "", Weight.CONFIGURATION)
        return
    for name in notice_ways.missing_secrets(ways):
        yield Finding(
            path.name,
            f"names the environment variable {name}, which is not set here.",
            "Set it where the run is started (hardware/computer.md), or nobody is told.",
            Weight.RESULT,
        )


def services(proc: Path = finding.PROC) -> Iterator[Finding]:
    """Find services that are known to take ports, even where they hold none at the moment."""
    for grabber in finding.running_grabbers(proc):
        yield Finding(
            "this computer",
            f"runs {grabber.process}, a {grabber.does}.",
            grabber.remedy,
            Weight.REMARK,
        )
