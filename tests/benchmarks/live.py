"""The live page: what twenty who watch cost, how soon they see a reading, a long history."""

from __future__ import annotations

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from http.client import HTTPConnection, HTTPResponse
from pathlib import Path
from urllib.parse import urlsplit

from analysis import lab_folder, run_folder
from analysis.run_folder import ReadingRow, encode_reading
from tests import synthetic_run
from tests.benchmarks.result import Result, run

CLIENTS = 20
RUNS = 5000
POWER = (
    ("wall_power_w", 641.2, "W"), ("line_voltage_v", 230.1, "V"), ("line_current_a", 2.8, "A"),
    ("power_factor", 0.99, "1"), ("line_frequency_hz", 50.0, "Hz"),
)  # fmt: skip


@contextmanager
def served(path: Path) -> Iterator[tuple[str, int, int]]:
    """Run `evenfall watch`; give host, port and process."""
    command = [sys.executable, "-m", "rig.cli", "watch", str(path), "--port", "0"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert server.stdout is not None
    parts = urlsplit(server.stdout.readline().split("Live page: ", 1)[1].strip())
    try:
        yield str(parts.hostname), int(parts.port or 0), server.pid
    finally:
        server.terminate()
        server.wait(20)


def listen(host: str, port: int) -> HTTPResponse:
    line = HTTPConnection(host, port, timeout=60)
    line.request("GET", "/stream")
    answer = line.getresponse()
    while answer.readline() != b"event: all\n":
        pass
    return answer


def processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def second_of_rows(second: int, point: int) -> bytes:
    """Return what a run writes in one second: wall power, and a sample of light."""
    utc = synthetic_run.BEGUN_UTC + timedelta(seconds=second)
    when = {
        "utc": utc, "window_start_s": second - 0.9, "window_end_s": float(second),
        "installation": 1, "mounting_height_mm": 400.0,
    }  # fmt: skip
    rows = [
        ReadingRow(
            elapsed_s=second + 0.1, instrument="power_meter", quantity=quantity,
            value=value + 0.01 * (second % 9), unit=unit, role="background", raw=b"x" * 40, **when,
        )
        for quantity, value, unit in POWER
    ]  # fmt: skip
    rows.append(
        ReadingRow(
            elapsed_s=second + 0.2, instrument="light_sensor", quantity="ppfd_umol_m2_s",
            value=500.0 + second % 50, unit="umol/m2/s", role="grid", grid_row=point // 9,
            grid_column=point % 9, sample=1, raw=b"0+500.0", **when,
        )
    )  # fmt: skip
    return b"".join(encode_reading(row) for row in rows)


def watching(folder: Path, seconds: int) -> list[Result]:
    """Twenty watch a run that writes once a second; the newest of them tells the delay."""
    begun = 20_000
    delays: list[float] = []
    with served(folder) as (host, port, pid), (folder / run_folder.READINGS).open("ab") as file:
        streams = [listen(host, port) for _ in range(CLIENTS)]

        def read_on(stream: HTTPResponse) -> None:
            try:
                while stream.readline():
                    pass
            except (OSError, ValueError, AttributeError):
                pass

        for stream in streams[1:]:
            threading.Thread(target=read_on, args=(stream,), daemon=True).start()
        newest = streams[0]
        used_s, begun_s = processor_s(pid), time.perf_counter()
        for second in range(seconds):
            due_s = begun_s + second + 0.37 * (second % 3)  # at no fixed phase of the looks
            time.sleep(max(0.0, due_s - time.perf_counter()))
            file.write(second_of_rows(begun + second, second % 81))
            file.flush()
            written_s = time.perf_counter()
            while newest.readline() != b"event: news\n":
                pass
            delays.append(time.perf_counter() - written_s)
        time.sleep(max(0.0, begun_s + seconds - time.perf_counter()))
        used = (processor_s(pid) - used_s) / (time.perf_counter() - begun_s)
        return [
            Result(f"live page, {CLIENTS} watch a run at 1 Hz: of one core", 100 * used, 3.0, "%"),
            Result(
                "live page, a reading on the disk until told: median", _ms(delays, 0.5), None, "ms"
            ),
            Result("live page, the same: longest", 1000 * max(delays), None, "ms"),
            *in_browser(f"http://{host}:{port}/", file, begun + seconds, min(seconds, 10)),
        ]


def _ms(values: list[float], share: float) -> float:
    return 1000 * statistics.quantiles(values, n=100)[round(100 * share) - 1]


_SEEN = """newest => new Promise(done => {
  const look = () => document.body.dataset.newest === newest && (watch.disconnect(), done(true));
  const watch = new MutationObserver(look);
  watch.observe(document.body, {attributes: true});
  look();
})"""


def in_browser(url: str, file, begun: int, seconds: int) -> list[Result]:
    """See how soon the page paints, and shows a reading; nothing without Chromium."""
    chromium = shutil.which("chromium")
    if chromium is None:
        return []
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page()
        page.goto(url)
        page.locator("#chart-power svg").wait_for(timeout=60_000)
        paint_ms = page.evaluate(
            "performance.getEntriesByName('first-contentful-paint')[0].startTime"
        )
        delays = []
        for second in range(seconds):
            utc = synthetic_run.BEGUN_UTC + timedelta(seconds=begun + second)
            file.write(second_of_rows(begun + second, second % 81))
            file.flush()
            written_s = time.perf_counter()
            page.evaluate(_SEEN, utc.strftime("%Y-%m-%dT%H:%M:%S.000Z"))
            delays.append(time.perf_counter() - written_s)
        browser.close()
    return [
        Result("live page, first paint in the browser", paint_ms, None, "ms"),
        Result(
            "live page, a reading on the disk until shown: median", _ms(delays, 0.5), None, "ms"
        ),
    ]


def long_history(lab: Path) -> list[Result]:
    """Open the history of many runs: the time to its first page, and to the newest run."""
    template = synthetic_run.write_rows(lab.parent / "template", synthetic_run.plan(), [])
    descriptor = json.loads((template / run_folder.DESCRIPTOR).read_text())
    descriptor["created"] = datetime(2026, 1, 5, tzinfo=UTC).isoformat()
    descriptor["evenfall"]["is_closed"] = True
    (template / run_folder.DESCRIPTOR).write_text(json.dumps(descriptor))
    lab_folder.create(lab, name="Long history")
    for at in range(RUNS):
        shutil.copytree(template, lab / "runs" / f"2026-01-05T1800Z-run-{at:04d}")
    with served(lab) as (host, port, _):
        line = HTTPConnection(host, port, timeout=60)
        begun_s = time.perf_counter()
        line.request("GET", "/runs.json")
        found = json.loads(line.getresponse().read())
        took_s = time.perf_counter() - begun_s
        begun_s = time.perf_counter()
        listen(host, port)
        shown_s = time.perf_counter() - begun_s
    assert len(found["runs"]) == 20
    assert found["has_older"]
    return [
        Result(f"live page, first page of a history of {RUNS} runs", 1000 * took_s, 500.0, "ms"),
        Result("live page, its newest run shown", 1000 * shown_s, None, "ms"),
    ]


def measure(is_quick: bool) -> list[Result]:
    with ExitStack() as kept:
        folder = Path(kept.enter_context(tempfile.TemporaryDirectory()))
        going_on = synthetic_run.write_run(folder / "run")
        return watching(going_on, 15 if is_quick else 60) + long_history(folder / "lab")


if __name__ == "__main__":
    sys.exit(run(measure))
