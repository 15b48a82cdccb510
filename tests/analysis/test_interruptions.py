"""What was read between a reference reading and a fault is in doubt, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import fields

from analysis.interruptions import in_doubt, remark_on_interruptions
from analysis.samples import Sets


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
