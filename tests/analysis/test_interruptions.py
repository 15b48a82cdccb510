"""What was read between a reference reading and a fault is in doubt, and nothing else."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from attrs import fields

from analysis import run_folder
from analysis.interruptions import DOUBTED, REFERENCE, in_doubt, remark_on_interruptions
from analysis.run_folder import load
from analysis.samples import Sets
from analysis.summary import summarise
from tests.synthetic_run import lambertian, plan, write_run


def visits(*kinds):
    """One set for each letter, ten seconds apart: R a reference, r one cut short, g a point."""
    k = len(kinds)
    columns = {item.name: np.zeros(k) for item in fields(Sets)}
    columns["role"] = np.array(["grid" if kind == "g" else "reference" for kind in kinds], object)
    columns["count"] = np.array([1 if kind == "r" else 2 for kind in kinds])
    columns["start_s"] = 10.0 * np.arange(k)
    columns["end_s"] = columns["start_s"] + 5.0
    return Sets(**columns)


def doubt(at_s, subject=""):
    return {"event": "readings-doubted", "elapsed_s": at_s, "subject": subject, "detail": "why"}


@pytest.mark.parametrize(
    ("kinds", "events", "doubted"),
    [
        ("RggRggR", [], ""),
        ("RggRggR", [doubt(57.0)], "45"),
        ("RggRgg", [doubt(100.0)], "45"),
        ("gg", [doubt(100.0)], "01"),
        ("Rggrgg", [doubt(57.0)], "1245"),
        ("RggRgg", [doubt(24.0)], "12"),
        ("RggR", [doubt(36.0)], ""),
        ("RggR", [doubt(36.0, "reference")], "123"),
        ("RggRggRgg", [doubt(27.0), doubt(87.0)], "1278"),
    ],
)
def test_doubt_reaches_back_to_the_last_whole_visit_of_the_reference(kinds, events, doubted):
    found = in_doubt(visits(*kinds), events, samples_per_point=2)
    assert "".join(map(str, np.flatnonzero(found))) == doubted


def test_a_run_without_interruption_has_no_remark():
    remarks = []
    remark_on_interruptions([{"event": "map-begun", "detail": ""}], remarks)
    assert remarks == []


def test_a_reference_that_read_otherwise_is_remarked_on_with_its_numbers():
    remarks = []
    remark_on_interruptions(
        [
            {"event": "run-resumed", "detail": ""},
            {"event": "reference-unlike", "detail": "+4.00 %, allowed 1 %"},
        ],
        remarks,
    )
    assert remarks[0] == "The run was interrupted once and gone on with."
    assert "+4.00 %, allowed 1 %" in remarks[1]


def test_what_happens_in_one_map_puts_no_other_in_doubt(tmp_path):
    the_plan = plan(
        heights={"mounting_height_mm": [400.0, 500.0]},
        grid={"rows": 3, "columns": 3},
        sampling={"samples_per_point": 1, "reference_every": 3, "quick_look": False},
    )
    path = write_run(tmp_path / "run", plan=the_plan, field=lambertian, warm_up_s=0.0)
    whole = summarise(load(path)).maps
    assert [one.n_used for one in whole] == [9, 9]
    # The second visit of the reference in the second map shows a step of the light.
    visits = load(path).readings
    visits = visits[(visits.role == "reference") & (visits.mounting_height_mm == 500.0)]
    at_s = float(visits.elapsed_s.iloc[1]) + 0.001
    events = path / run_folder.EVENTS
    row = run_folder.EventRow(
        elapsed_s=at_s, utc=datetime(2026, 1, 5, tzinfo=UTC), event=DOUBTED, subject=REFERENCE,
        detail="a step",
    )  # fmt: skip
    events.write_bytes(events.read_bytes() + run_folder.encode_event(row))
    assert [one.n_used for one in summarise(load(path)).maps] == [9, 6]
