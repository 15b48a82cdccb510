"""Recorded runs, played again row by row into a folder that somebody watches."""

from __future__ import annotations

import http.client
import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

from analysis import run_folder
from tests.rig.test_resume import BRIEF, killed_at, plan_of, resumed, still_bench

ROOT = Path(__file__).parents[3]


class Played:
    """A copy of a run folder that grows as the run did, up to a share of its rows."""

    def __init__(self, source: Path, target: Path) -> None:
        target.mkdir(parents=True)
        self.folder = target
        for path in source.iterdir():
            if path.is_file() and path.suffix != ".csv":
                (target / path.name).write_bytes(path.read_bytes())
        self._closed = (source / run_folder.DESCRIPTOR).read_bytes()
        going_on = json.loads(self._closed)
        going_on["evenfall"]["is_closed"] = False
        (target / run_folder.DESCRIPTOR).write_text(json.dumps(going_on), encoding="utf-8")
        self._rows: list[tuple[float, str, bytes]] = []
        for name in (run_folder.EVENTS, run_folder.READINGS):
            head, *lines = (source / name).read_bytes().splitlines(keepends=True)
            (target / name).write_bytes(head)
            self._rows += [(float(line.split(b",", 1)[0]), name, line) for line in lines]
        self._rows.sort(key=lambda row: row[0])
        self._at = 0

    def until(self, event: str) -> None:
        """Play up to the next event of this name, that event included."""
        begun = self._at
        while self._at < len(self._rows):
            _, name, line = self._rows[self._at]
            self._at += 1
            if name == run_folder.EVENTS and line.split(b",")[2].decode() == event:
                break
        self._write(self._rows[begun : self._at])

    def rows(self, count: int | None = None) -> int:
        """Play so many rows more, or all; return how many there were."""
        end = len(self._rows) if count is None else self._at + count
        played = self._rows[self._at : end]
        self._at += len(played)
        self._write(played)
        return len(played)

    def _write(self, rows: list[tuple[float, str, bytes]]) -> None:
        for name in (run_folder.EVENTS, run_folder.READINGS):
            with (self.folder / name).open("ab") as file:
                file.write(b"".join(line for _, where, line in rows if where == name))
        if self._at == len(self._rows):
            (self.folder / run_folder.DESCRIPTOR).write_bytes(self._closed)


def interrupted_and_resumed(folder: Path, monkeypatch) -> tuple[Path, Path]:
    """Return two run folders: one of a run as a kill left it, and the same one, resumed."""
    plan = plan_of(folder, **BRIEF)
    profile, bench = still_bench(folder)
    killed, _ = killed_at(folder, plan, profile, bench, 2000, monkeypatch)
    assert killed is not None
    kept = folder / "as-killed"
    kept.mkdir()
    for path in killed.iterdir():
        if path.is_file():
            (kept / path.name).write_bytes(path.read_bytes())
    resumed(killed, folder / "rig.toml", bench)
    return kept, killed


@contextmanager
def watched(path: Path, *options: str) -> Iterator[str]:
    """Run `evenfall watch` in a process of its own; give the address it prints."""
    command = [sys.executable, "-m", "rig.cli", "watch", str(path), "--port", "0", *options]
    server = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    try:
        assert server.stdout is not None
        line = server.stdout.readline()
        assert "Live page: " in line, line + server.stdout.read()
        yield line.split("Live page: ", 1)[1].strip()
    finally:
        server.terminate()
        server.wait(20)


def asked(
    url: str, target: str | None = None, method: str = "GET", **headers: str
) -> tuple[int, dict[str, str], bytes]:
    """Ask a server exactly so, nothing tidied up; return status, headers and body."""
    parts = urlsplit(url)
    line = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=20)
    try:
        line.putrequest(method, target or parts.path, skip_host="Host" in headers)
        for name, value in headers.items():
            line.putheader(name, value)
        line.endheaders()
        answer = line.getresponse()
        told = {name.lower(): value for name, value in answer.getheaders()}
        return answer.status, told, answer.read()
    finally:
        line.close()


def listen(url, target="/stream", **headers):
    """Open a stream; return its connection, and the first whole event of kind `all`."""
    line, _, everything = listen_on(url, target, **headers)
    return line, everything


def listen_on(url, target="/stream", **headers):
    """Open a stream; return its connection, its answer to read on from, and the first `all`."""
    parts = urlsplit(url)
    line = http.client.HTTPConnection(parts.hostname, parts.port, timeout=20)
    line.request("GET", target, headers=headers)
    answer = line.getresponse()
    assert answer.getheader("content-type", "").startswith("text/event-stream")
    return line, answer, told_next(answer, "all")


def told_next(answer, kind="news"):
    """Return the next event of a kind from a stream."""
    while (text := answer.readline()) != f"event: {kind}\n".encode():
        assert text, "the stream has ended"
    return json.loads(answer.readline().removeprefix(b"data: "))
