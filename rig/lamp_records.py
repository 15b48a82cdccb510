"""What the lab's records say about lighting a lamp by relay: since when it is off, and whether
the relay was seen to open by itself."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from analysis import lab_folder, lab_records
from analysis.lab_entries import InstrumentEntry, LampEntry
from analysis.lab_records import LabFolderError
from analysis.lab_runs import lab_runs
from analysis.lamp_ledger import season_reminder
from analysis.seasoning import reminder
from drivers.clock import Clock
from rig.plan import Plan
from rig.profile import Fitted

#: The records keep whole seconds: a lamp may have gone off so much later than they say. [s]
RECORD_S: Final = 1.0
#: How long a proof that the relay opens by itself is good for: common practice, no source.
PROOF_LASTS: Final = timedelta(days=31)


def off_since_s(lab: Path, sample: str, clock: Clock) -> float:
    """Return since when the lamp is known to be off, in this clock's elapsed time. [s]

    Known is only what the last line about its burning says, if that is that it was switched
    off. A lamp without a label, without a line, lit and never noted as off (a killed run), or
    with a line from the future counts as switched off just now.
    """
    now = clock.stamp()
    off: LampEntry | None = None
    for entry in lab_records.read_lamps(lab).entries if sample else ():
        if entry.lamp != sample:
            continue
        if entry.event == "off":
            off = entry
        # A run's "burned" line follows the "off" of its own lamp; any other leaves open when the
        # lamp was switched off.
        elif entry.event == "lit" or (
            entry.event == "burned" and off is not None and entry.detail != off.detail
        ):
            off = None
    if off is None:
        return now.elapsed_s
    return now.elapsed_s - max(0.0, (now.utc - off.utc).total_seconds() - RECORD_S)


def note_switching(lab: Path, sample: str, event: str, utc: datetime, detail: str) -> None:
    """Note on the disk that a lamp was lit or switched off; a lamp without a label has no record.

    Raises
    ------
    LabFolderError, OSError
        It could not be written.
    """
    if sample:
        lab_records.add_lamp(lab, LampEntry(utc=utc, lamp=sample, event=event, detail=detail))


def not_seasoned(lab: Path, plan: Plan) -> str:
    """Say that the lamp of a plan is not seasoned, or may not be; nothing where it is.

    What the lab knows goes before what the plan says; its folder need not be there.
    """
    lamp = plan.raw["lamp"]
    if not plan.lamp.sample or not (Path(lab) / lab_folder.LAB).is_file():
        return reminder(lamp, plan.lamp.hours)
    try:
        return season_reminder(lab_records.read_lamps(lab), lab_runs(lab)[0], lamp)
    except LabFolderError:
        return reminder(lamp, plan.lamp.hours)  # what is wrong with it is told where it is used


def relay_label(fitted: Fitted) -> str:
    """Return what the lab's records call a relay: its serial number, else its port."""
    return str(fitted.options.serial_number or fitted.options.port)


def record_proof(lab: Path, fitted: Fitted, words: str, utc: datetime) -> None:
    """Keep that a relay was seen to open by itself within its declared time.

    The lab folder is made if it is not there.

    Raises
    ------
    LabFolderError, OSError
        It could not be written.
    """
    if not Path(lab).exists():
        lab_folder.create(lab, name=Path(lab).resolve().name)
    lab_records.add_instrument(
        lab,
        InstrumentEntry(
            utc=utc,
            instrument=relay_label(fitted),
            event="proved",
            detail=_declared(fitted) + words,
        ),
    )


def why_not_proved(lab: Path, fitted: Fitted, utc: datetime) -> str:
    """Say why there is no proof that a relay opens by itself; nothing where there is one."""
    label, declared = relay_label(fitted), _declared(fitted)
    there = (Path(lab) / lab_records.INSTRUMENTS).is_file()
    proofs = [
        entry
        for entry in (lab_records.read_instruments(lab).entries if there else ())
        if entry.instrument == label and entry.event in ("proved", "repaired")
    ]
    if not proofs or proofs[-1].event != "proved":
        return f"there is no proof on record that lamp relay {label} opens by itself"
    last = proofs[-1]
    if not last.detail.startswith(declared):
        return f"lamp relay {label} was proved with another declared time ({last.detail})"
    if not timedelta(0) <= utc - last.utc <= PROOF_LASTS:
        return (
            f"the proof that lamp relay {label} opens by itself is of {last.utc:%Y-%m-%d}; it is "
            f"good for {PROOF_LASTS.days} days"
        )
    return ""


def _declared(fitted: Fitted) -> str:
    return f"opens_after_silence_s = {fitted.options.opens_after_silence_s!r}: "
