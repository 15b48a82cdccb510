"""The report of a comparison ÷ matplotlib drawing the same artists; and the whole command.

Three devices at three mounting heights, 9 × 9 points each. The report is made from the summaries:
verdicts, heights with their drawn maps, value, budget, all pictures and the HTML of three pages.
The other side draws the artists of those pictures and nothing else, see `plain_figures`: each
picture is taken down as numbers once, before the clock starts, and then drawn anew at the same
size through matplotlib's plain calls and printed as SVG. Both in one process, with one thread of
arithmetic as in the program, and imports paid before.

The command is ``evenfall compare`` as a process of its own, from readings to pages and pictures.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # read when numpy is loaded

import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG

from analysis.report.findings import find
from analysis.report.pages import write_pages
from analysis.run_folder import load
from analysis.summary import summarise
from tests import synthetic_run
from tests.benchmarks import plain_figures
from tests.benchmarks.plain_figures import FigureTaken
from tests.benchmarks.result import Result, run

MADE = "2026-01-09 10:00"
INSTRUMENTS = (
    '[{"name": "light_sensor", "kind": "sdi12-quantum-sensor", "serial_number": "Q-1"},'
    ' {"name": "power_meter", "kind": "modbus-power-meter", "serial_number": "M-1"}]'
)
VALUE = {"currency": "EUR", "price": 65.0, "tariff": 0.25, "photoperiod_h": 12.0, "years": 5}


def device(folder: Path, name: str, level: float, seed: int) -> Path:
    """Write the run of one device."""
    plan = synthetic_run.plan(
        device={"name": name, "specimen": f"{name}-1"},
        heights={"mounting_height_mm": [400.0, 500.0, 600.0]},
        limits={"peak_ppfd_umol_m2_s": 900.0, "minimum_to_mean": 0.2},
        value={**VALUE},
    )
    synthetic_run.write_run(
        folder,
        plan=plan,
        field=lambda x, y, h: level * synthetic_run.lambertian(x, y, h),
        noise=0.002,
        power_noise=0.001,
        other_electrical=True,
        seed=seed,
    )
    descriptor = folder / "datapackage.json"
    text = descriptor.read_text(encoding="utf-8")
    descriptor.write_text(text.replace('"instruments": []', f'"instruments": {INSTRUMENTS}'))
    return folder


@contextmanager
def figures_seen() -> Iterator[list[Any]]:
    """Collect all figures that are printed as SVG meanwhile."""
    seen: list[Any] = []
    printed = FigureCanvasSVG.print_figure

    def print_and_keep(canvas: Any, *args: Any, **how: Any) -> Any:
        done = printed(canvas, *args, **how)
        seen.append(plain_figures.take(canvas.figure))
        return done

    FigureCanvasSVG.print_figure = print_and_keep  # type: ignore[method-assign]
    try:
        yield seen
    finally:
        FigureCanvasSVG.print_figure = printed  # type: ignore[method-assign]


def seconds(work: Callable[[], object]) -> float:
    """Processor time, as others share the computer. [s]"""
    begun_s = time.process_time()
    work()
    return time.process_time() - begun_s


def drawn_alike(taken: list[FigureTaken], pages: list[Path]) -> int:
    """Return how many artists there are; raise where the two sides do not draw the same."""
    kinds: Counter[str] = sum(map(plain_figures.count, taken), Counter())
    told = "".join(page.read_text(encoding="utf-8") for page in pages)
    ours, theirs = told.count("<text"), sum(plain_figures.draw(one).count("<text") for one in taken)
    shown = told.count("<svg ")
    if shown != len(taken) or not np.isclose(ours, theirs, rtol=0.03):
        raise AssertionError(
            f"not the same artists: {shown} pictures and {len(taken)}, {ours} texts and {theirs}"
        )
    return sum(kinds.values())


def measure(is_quick: bool) -> list[Result]:
    """Time both sides in turn."""
    with tempfile.TemporaryDirectory() as scratch:
        base = Path(scratch)
        levels = (("Alder", 1.0), ("Birch", 1.07), ("Cedar", 0.99))
        folders = [device(base / name, name, level, at) for at, (name, level) in enumerate(levels)]
        summaries = [summarise(load(folder)) for folder in folders]

        def make() -> list[Path]:
            return list(write_pages(find(summaries), base / "page.html", made_utc=MADE))

        with figures_seen() as taken:
            pages = make()
        artists = drawn_alike(taken, pages)
        pairs = [
            (seconds(make), seconds(lambda: [plain_figures.draw(one) for one in taken]))
            for _ in range(2 if is_quick else 5)
        ]
        ours_s, plain_s = (statistics.median(column) for column in zip(*pairs, strict=True))
        command = [sys.executable, "-m", "rig.cli", "compare", *map(str, folders)]
        command += ["--out", str(base / "compared.html")]
        begun_s = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        whole_s = time.perf_counter() - begun_s
    print(
        f"report.py: {len(taken)} pictures of {artists} artists; three pages {ours_s:.1f} s, plain "
        f"drawing {plain_s:.1f} s of processor time",
        file=sys.stderr,
    )
    return [
        Result("report of 3 devices at 3 heights ÷ plain drawing of its artists",
               ours_s / plain_s, 1.3),
        Result("evenfall compare of them, from readings to pages and pictures", whole_s, 15.0, "s"),
    ]  # fmt: skip


if __name__ == "__main__":
    sys.exit(run(measure))
