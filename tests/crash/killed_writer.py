"""A child that records as fast as it can and reports what was acknowledged, until killed."""

from __future__ import annotations

import itertools
import multiprocessing
from multiprocessing.connection import Connection
from pathlib import Path

from rig.recorder import Recorder
from tests.crash.promises import PLAN, RIG, Promise


def write_until_killed(report: Connection, folder: Path, is_boastful: bool) -> None:
    """Record for ever; tell of each acknowledgement only after it has returned.

    A boastful writer tells of it before it has even written, to show that this is found out.
    """
    promise = Promise()
    with Recorder.create(folder, descriptor={}, plan_text=PLAN, rig_text=RIG) as recorder:
        report.send((0, 0))
        for batch in itertools.count(1):
            if is_boastful:
                report.send((promise.readings + batch % 4, promise.events + (batch % 3 == 0)))
            promise.write(recorder, readings=batch % 4, events=batch % 3 == 0)
            promise.acknowledge(recorder)
            if not is_boastful:
                report.send((promise.readings, promise.events))


def kill_one(folder: Path, reports: int, is_boastful: bool = False) -> Promise:
    """Start a writer, kill it after so many reports; return what it had promised by then.

    The child goes on writing while the reports travel and while the signal does, so the kill
    falls anywhere in its work.
    """
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.crash.killed_writer"])
    receiver, sender = context.Pipe(duplex=False)
    child = context.Process(target=write_until_killed, args=(sender, folder, is_boastful))
    child.start()
    sender.close()
    promise = Promise(created=True)
    for _ in range(reports):
        promise.readings, promise.events = receiver.recv()
    child.kill()
    child.join()
    try:
        while True:  # what it had reported before the signal arrived counts too
            promise.readings, promise.events = receiver.recv()
    except EOFError:
        pass
    # It may have written a batch more than it could report.
    promise.written_readings, promise.written_events = promise.readings + 4, promise.events + 1
    return promise
