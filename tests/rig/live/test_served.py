"""The page through a real port: who may ask, what is refused, and many at once."""

from __future__ import annotations

import json
import socket
from contextlib import ExitStack
from urllib.parse import parse_qs, urlsplit

import pytest

from analysis import lab_folder, run_folder
from rig.live import serve
from rig.live.shelf import Shelf
from tests import synthetic_run
from tests.rig.live.played import Played, asked, listen, listen_on, told_next, watched

pytestmark = pytest.mark.wire
RUN = "2026-01-05T0900Z-reflector-s"


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    lab = tmp_path_factory.mktemp("served") / "lab"
    lab_folder.create(lab, name="Light lab")
    folder = synthetic_run.write_run(lab / "runs" / RUN)
    for page in ("report", "report-lab"):
        (folder / f"{page}.html").write_text(f"<!doctype html><title>R</title>{page}")
    descriptor = json.loads((folder / run_folder.DESCRIPTOR).read_text())
    descriptor["created"] = "2026-01-05T09:00:00+00:00"
    descriptor["evenfall"]["is_closed"] = True
    (folder / run_folder.DESCRIPTOR).write_text(json.dumps(descriptor))
    (lab / "secret.txt").write_text("secret")
    return lab


@pytest.fixture(scope="module")
def url(lab):
    with watched(lab) as found:
        yield found


def test_page_history_report_and_stream_are_given(url):
    assert b"<main" in asked(url, "/")[2]
    (line,) = json.loads(asked(url, "/runs.json")[2])["runs"]
    assert (line["run"], line["device"]) == (RUN, "Reflector S")
    assert line["reports"] == ["report.html", "report-lab.html"]
    for page in ("report", "report-lab"):
        status, headers, body = asked(url, f"/run/{RUN}/{page}.html")
        assert (status, body) == (200, f"<!doctype html><title>R</title>{page}".encode())
        assert "script-src" not in headers["content-security-policy"]
        assert "default-src 'none'" in headers["content-security-policy"]
    assert asked(url, f"/run/{RUN}/report-public.html")[0] == 404
    connection, told = listen(url)
    connection.close()
    assert told["facts"]["device"] == "Reflector S"
    assert told["state"]["kind"] == "done"


def test_the_page_loads_nothing_from_elsewhere(url):
    for name in ("/", "/page/page.css", "/page/page.js", "/page/charts.js", "/page/map.js"):
        status, headers, body = asked(url, name)
        assert status == 200
        assert b"//" not in body.replace(b"http://www.w3.org/2000/svg", b"").replace(b"// ", b"")
        assert "default-src 'none'" in headers["content-security-policy"]


@pytest.mark.parametrize(
    "target",
    [
        "/run/../secret.txt",
        "/run/..%2f..%2fsecret.txt/report.html",
        "/run/%2e%2e/report.html",
        "/run/%2e%2e/report-lab.html",
        f"/run/{RUN}/report-other.html",
        "/run/%2e%2e%2fsecret.txt",
        f"/run/{RUN}/../../../secret.txt",
        f"/run/{RUN}/..%2f..%2f..%2fsecret.txt",
        f"/run/{RUN}/readings.csv",
        f"/run/{RUN}%00/report.html",
        "/run/%ff%fe/stream",
        "/run//etc/passwd",
        "//etc/passwd",
        "/page/..%2fapp.py",
        "/page/%2e%2e/app.py",
        "/secret.txt",
        "/run/none/stream",
        "/run/" + "a" * 4000,
    ],
)
def test_nothing_but_runs_is_reached(url, target):
    status, headers, body = asked(url, target)
    assert status == 404
    assert headers["content-type"].startswith("text/plain")
    assert b"secret" not in body.replace(b"secret.txt", b"")
    assert len(body) < 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "BREW"])
def test_nothing_can_be_sent(url, method):
    status, headers, _ = asked(url, "/", method)
    assert (status, headers["allow"]) == (405, "GET, HEAD")


@pytest.mark.parametrize(
    "garbage",
    [b"\x00\xff\xfe\r\n\r\n", b"GET\r\n\r\n", b"\x16\x03\x01\x02\x00", b"GET / HTTP/9.9\r\n\r\n",
     b"GET / HTTP/1.1\r\n" + b"X: " + b"y" * 200_000 + b"\r\n\r\n"],
)  # fmt: skip
def test_garbage_is_refused_and_the_page_lives_on(url, garbage):
    parts = urlsplit(url)
    with socket.create_connection((parts.hostname, parts.port), 10) as line:
        try:
            line.sendall(garbage)
            line.shutdown(socket.SHUT_WR)
            answer = line.recv(4096)
        except TimeoutError:
            raise
        except OSError:  # hung up, at once or in the middle of it
            answer = b""
        assert answer == b"" or answer.startswith(b"HTTP/1.1 4")
    assert asked(url, "/about.json")[0] == 200


def test_another_name_than_this_computers_is_refused(url):
    assert asked(url, "/", Host="rebound.example")[0] == 421
    assert asked(url, "/", Host="localhost:80")[0] == 200
    assert asked(url, "/", Host="[::1]:80")[0] == 200


def test_twenty_are_told_the_same_at_once(url):
    with ExitStack() as open_lines:
        told = []
        for _ in range(20):
            line, everything = listen(url, f"/run/{RUN}/stream")
            open_lines.callback(line.close)
            told.append(everything)
        assert all(one == told[0] for one in told)
        assert told[0]["facts"]["run"] == RUN
        assert asked(url, "/about.json")[0] == 200


def test_twenty_are_told_of_the_rows_that_a_run_writes_meanwhile(tmp_path):
    source = synthetic_run.write_run(tmp_path / "source")
    played = Played(source, tmp_path / "run")
    played.until("warm-up-begun")
    with watched(played.folder) as url, ExitStack() as open_lines:
        answers = []
        for _ in range(20):
            line, answer, everything = listen_on(url)
            open_lines.callback(line.close)
            assert everything["state"]["sentence"] == "Warming up."
            answers.append(answer)
        played.until("map-begun")
        played.rows(10)
        for answer in answers:
            news = told_next(answer)
            while not news.get("state", {}).get("sentence", "").startswith("Reading the map"):
                news = told_next(answer)


def test_beyond_this_computer_the_token_is_asked_for_and_leaves_the_address(lab):
    with watched(lab, "--host", "0.0.0.0") as address:
        parts = urlsplit(address)
        (token,) = parse_qs(parts.query)["token"]
        assert len(token) >= 32
        url = f"http://127.0.0.1:{parts.port}/"
        for target in ("/", "/runs.json", "/?token=", f"/?token={token[:-1]}", "/?token=%ff%fe"):
            assert asked(url, target)[0] == 401
        assert asked(url, "/", Cookie="evenfall=wrong")[0] == 401
        assert asked(url, "/", Cookie="evenfall=\xb5")[0] == 401
        status, headers, _ = asked(url, f"//elsewhere.example/?token={token}")
        assert (status, headers["location"]) == (303, "/elsewhere.example/")
        status, headers, _ = asked(url, f"/?token={token}")
        assert (status, headers["location"]) == (303, "/")
        cookie = headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Lax" in cookie
        own = cookie.split(";", 1)[0]
        assert asked(url, "/", Cookie=own)[0] == 200
        connection, _ = listen(url, "/stream", Cookie=own)
        connection.close()


@pytest.mark.parametrize(
    ("host", "number", "lines"), [("0.0.0.0", "192.0.2.7", 3), ("0.0.0.0", "", 2), ("::1", "", 1)]
)
def test_a_phone_is_told_the_number_of_this_computer_with_the_same_token(
    lab, monkeypatch, host, number, lines
):
    monkeypatch.setattr(serve, "_in_the_network", lambda: number)
    monkeypatch.setattr(serve.uvicorn.Server, "run", lambda self, sockets: None)
    told = []
    serve.serve(Shelf.of(lab), host, 0, told.append)
    assert len(told) == lines
    if number:
        named, numbered = (urlsplit(line[line.index("http://") :]) for line in told[:2])
        assert (numbered.hostname, numbered.port) == (number, named.port)
        assert numbered.query == named.query != ""


def test_a_folder_that_is_none_and_a_port_that_is_taken_are_said_in_one_line(url, lab, capsys):
    from rig import cli

    assert cli.main(["watch", str(lab.parent)]) == cli.FAILED
    assert "neither a lab folder" in capsys.readouterr().err
    taken = str(urlsplit(url).port)
    assert cli.main(["watch", str(lab), "--port", taken]) == cli.FAILED
    assert capsys.readouterr().err == (
        f"evenfall: 127.0.0.1, port {taken}: Address already in use; give another --port\n"
    )
    with pytest.raises(SystemExit):
        cli.main(["watch", str(lab), "--port", "eighty"])
    assert "'eighty' is no port" in capsys.readouterr().err
