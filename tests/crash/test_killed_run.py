"""A killed run loses nothing that was acknowledged, and the analysis says what is missing."""

from __future__ import annotations

import itertools
import random
import sys

import pytest

from analysis import run_folder
from analysis.summary import summarise
from tests.crash.killed_night import kill_after
from tests.crash.killed_run import begin

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="runs are made on Linux")


@pytest.mark.parametrize("kill", range(4))
def test_a_killed_run_keeps_every_acknowledged_row_and_says_what_is_missing(tmp_path, kill):
    # 6 acknowledgements make the folder; the map begins after about 900 of them.
    chosen = random.Random(1000 + kill).randint(20, 1400)
    for number in itertools.count():  # on a busy computer it may end before its kill comes
        own, safe = tmp_path / f"{number}", {}
        own.mkdir()
        if kill_after(begin, own, chosen, safe):
            break
    (folder,) = (own / "lab" / "runs").iterdir()
    run = run_folder.load(folder)
    for name in (run_folder.READINGS, run_folder.EVENTS):
        data = (folder / name).read_bytes()
        acknowledged = safe[str(folder / name)]
        assert len(data) >= acknowledged
        sound, damage, _ = run_folder.split_rows(data[:acknowledged], name)
        assert damage == ()
        assert sound == data[:acknowledged]
    assert not any(damage.problem.startswith("CRC") for damage in run.damage)
    summary = summarise(run)
    assert not summary.is_complete
    assert summary.remarks
    for one in summary.maps:
        assert one.n_expected == 25
        if one.n_used < 25:
            assert one.delivered_flux_umol_s is None
            assert one.uniformity is None
