"""What a recorder has promised, and whether a folder keeps it.

The values of the rows are their numbers, so that a row lost, doubled, invented or out of
order shows.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from attrs import define

from analysis import run_folder
from analysis.run_folder import EventRow, ReadingRow
from rig.recorder import Recorder
from rig.storage import OsStorage, Storage, measure

PLAN = b'format = 1\n[test]\nname = "crash"\n'
RIG = b'format = 1\nname = "crash bench"\n'
LAMPS = b"lamp,hours\nL-07,130\n"
BEGUN = datetime(2026, 1, 5, 18, 0, tzinfo=UTC)
RESUMED = BEGUN + timedelta(hours=1)


def reading(number: int) -> ReadingRow:
    """Return a row that knows its number; every third carries awkward raw bytes."""
    return ReadingRow(
        elapsed_s=float(number),
        utc=BEGUN + timedelta(seconds=number),
        window_start_s=number - 0.5,
        window_end_s=float(number),
        instrument="power_meter",
        quantity="wall_power_w",
        value=float(number),
        unit="W",
        role="background",
        installation=1,
        raw=b'\x01\x03,"\n\\' if number % 3 == 0 else b"+600.1\r\n",
    )


def event(number: int) -> EventRow:
    """Return an event that knows its number."""
    return EventRow(
        elapsed_s=float(number),
        utc=BEGUN + timedelta(seconds=number),
        event="note",
        subject="operator",
        detail=f'{number}: "gone, and back"',
    )


@define
class Promise:
    """How far a recorder has come; each count is of rows whose acknowledgement returned."""

    created: bool = False
    attached: bool = False
    readings: int = 0
    events: int = 0
    resumed: bool = False
    closed: bool = False
    written_readings: int = 0
    written_events: int = 0

    def write(self, recorder: Recorder, readings: int, events: int) -> None:
        """Append so many more rows."""
        for _ in range(readings):
            self.written_readings += 1
            recorder.reading(reading(self.written_readings))
        for _ in range(events):
            self.written_events += 1
            recorder.event(event(self.written_events))

    def acknowledge(self, recorder: Recorder) -> None:
        """Have everything acknowledged."""
        recorder.acknowledge()
        self.readings, self.events = self.written_readings, self.written_events


def first_session(storage: Storage, folder: Path, promise: Promise) -> None:
    """Make a run, write, acknowledge, attach, leave rows unacknowledged, close."""
    with Recorder.create(
        folder,
        descriptor={"title": "Crash", "instruments": [{"name": "power_meter"}]},
        plan_text=PLAN,
        rig_text=RIG,
        storage=storage,
    ) as recorder:
        promise.created = True
        promise.write(recorder, 2, 1)
        promise.acknowledge(recorder)
        promise.write(recorder, 3, 0)
        promise.acknowledge(recorder)
        recorder.attach("lamps.csv", LAMPS)
        promise.attached = True
        promise.write(recorder, 2, 2)
        recorder.close({"outcome": "complete"})
        promise.readings, promise.events = promise.written_readings, promise.written_events
        promise.closed = True


def second_session(storage: Storage, folder: Path, promise: Promise) -> None:
    """Go on with an interrupted run."""
    with Recorder.reopen(folder, utc=RESUMED, storage=storage) as recorder:
        promise.resumed = True
        promise.write(recorder, 2, 1)
        promise.acknowledge(recorder)
        recorder.close()
        promise.closed = True


def broken(folder: Path, promise: Promise) -> list[str]:
    """Return in what the folder breaks the promise; nothing, if it keeps it."""
    try:
        run = run_folder.load(folder)
    except (run_folder.RunFolderError, OSError) as error:
        # A folder whose making was cut short has no descriptor; one that has, is whole.
        appeared = promise.created or (folder / run_folder.DESCRIPTOR).exists()
        return [f"does not load: {error}"] if appeared else []
    faults = []
    values = run.readings["value"].tolist()
    if len(values) < promise.readings:
        faults.append(f"{promise.readings} readings acknowledged, {len(values)} there")
    if values != [float(number) for number in range(1, len(values) + 1)]:
        faults.append(f"readings are not those written: {values}")
    if len(values) > promise.written_readings:
        faults.append(f"{promise.written_readings} readings written, {len(values)} there")
    notes = run.events.loc[run.events["event"] == "note", "detail"].tolist()
    if notes != [event(number).detail for number in range(1, len(notes) + 1)]:
        faults.append(f"events are not those written: {notes}")
    if len(notes) < promise.events:
        faults.append(f"{promise.events} events acknowledged, {len(notes)} there")
    if (folder / run_folder.PLAN).read_bytes() != PLAN:
        faults.append("the plan is not that of the run")
    if not (folder / run_folder.RIG).is_file() or not run.rig:
        faults.append("the profile is not there")
    if promise.attached and not _holds(folder / "lamps.csv", LAMPS):
        faults.append("the attached file is not there")
    if not promise.created and run.damage:
        faults.append(f"a folder that appeared whole is not: {run.damage}")
    if promise.closed:
        if not run.descriptor["evenfall"]["is_closed"] or run.damage:
            faults.append(f"closed, but does not say so, or is damaged: {run.damage}")
        faults += [
            f"{resource['path']} is not what was hashed"
            for resource in run.descriptor["resources"]
            if not _is_as_hashed(folder, resource)
        ]
    return faults


def _holds(path: Path, data: bytes) -> bool:
    return path.is_file() and path.read_bytes() == data


def _is_as_hashed(folder: Path, resource: dict[str, object]) -> bool:
    path = folder / str(resource["path"])
    if not path.is_file():
        return False
    size, sha256 = measure(OsStorage(), path)
    return resource.get("bytes") == size and resource.get("hash") == f"sha256:{sha256}"
