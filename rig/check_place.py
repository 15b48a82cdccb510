"""What a run needs besides instruments: calibrations in date, room on the disk, a free folder."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Final

from analysis import lab_folder
from analysis.lab_records import LabFolderError
from drivers import finding
from rig.check_findings import Finding, Weight
from rig.profile import Profile
from rig.storage import OsStorage

#: Less room than this is refused, however short the run. [bytes]
LEAST_FREE_BYTES: Final = 200_000_000
#: A run may take more room than estimated, and other programs write too.
FREE_TIMES: Final = 10.0
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
            )
        if due is not None and due < today:
            days = (today - due).days
            yield Finding(
                section,
                f"its calibration was due on {due}, {days} day{'s' if days != 1 else ''} ago.",
                "Have it calibrated, or state the new date in calibration_due.",
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


def services(proc: Path = finding.PROC) -> Iterator[Finding]:
    """Find services that are known to take ports, even where they hold none at the moment."""
    for grabber in finding.running_grabbers(proc):
        yield Finding(
            "this computer",
            f"runs {grabber.process}, a {grabber.does}.",
            grabber.remedy,
            Weight.REMARK,
        )
