"""Notices over real sockets: sent, refused, hanging; none of it holds up whoever sends them."""

from __future__ import annotations

import base64
import http.server
import json
import os
import socket
import socketserver
import subprocess
import sys
import threading
import time
from email import message_from_bytes, policy
from pathlib import Path

import pytest

from drivers.clock import SystemClock
from rig import notice_sender
from rig import notices as notices_module
from rig.faults import RunStopped
from rig.notices import LOG, Notices, missing_secrets, read_ways
from rig.telling import TellingProgress
from rig.toml_faults import ConfigError

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.wire
SECRET = "hunter-two-of-the-test"
NOTICE = {
    "event": "trouble",
    "subject": "Evenfall: planned run 7: stopped",
    "text": "The lamp went out. µmol",
    "utc": "2026-01-05T21:00:00Z",
}


class MailServer(socketserver.StreamRequestHandler):
    """As much of RFC 5321 as a client needs that sends one message."""

    def handle(self):
        self.say("220 mail.example.org ready")
        data = []
        while line := self.rfile.readline().decode().rstrip("\r\n"):
            word = line.split()[0].upper()
            if word == "EHLO":
                self.say("250-mail.example.org")
                self.say("250 AUTH PLAIN")
            elif word == "AUTH":
                self.server.login = base64.b64decode(line.split()[2]).split(b"\0")[1:]
                self.say("235 welcome" if self.server.lets_in else "535 no such user")
            elif word == "DATA":
                self.say("354 go on")
                while (text := self.rfile.readline().rstrip(b"\r\n")) != b".":
                    data.append(text)
                self.server.mails.append(b"\n".join(data))
                self.say("250 taken")
            elif word == "QUIT":
                self.say("221 bye")
                return
            else:
                self.say("250 well")

    def say(self, text):
        self.wfile.write(f"{text}\r\n".encode())


class WebServer(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.posted.append((self.path, json.loads(body)))
        self.send_response(self.server.status)
        self.end_headers()

    def log_message(self, *_):
        pass


@pytest.fixture
def mail():
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), MailServer) as server:
        server.mails, server.lets_in = [], True
        threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True).start()
        yield server
        server.shutdown()


@pytest.fixture
def web():
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), WebServer) as server:
        server.posted, server.status = [], 204
        threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True).start()
        yield server
        server.shutdown()


@pytest.fixture
def mute():
    """A server that takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


def email(port, **more):
    return {
        "host": "127.0.0.1",
        "port": port,
        "security": "none",
        "sender": "bench@example.org",
        "to": ["me@example.org", "you@example.org"],
        "user": "",
        "password_from": "",
        **more,
    }


def sent(within_s=20.0, **ways):
    return notice_sender.send({**NOTICE, "ways": ways}, within_s=within_s)


def test_a_mail_arrives_with_subject_and_text(mail):
    assert sent(email=email(mail.server_address[1])) == {"email": "sent"}
    message = message_from_bytes(mail.mails[0], policy=policy.default)
    assert message["Subject"] == NOTICE["subject"]
    assert message["To"] == "me@example.org, you@example.org"
    assert "The lamp went out. µmol" in message.get_content()


def test_a_mail_is_signed_in_with_the_password_of_the_environment(mail, monkeypatch):
    monkeypatch.setenv("EVENFALL_TEST_PASSWORD", SECRET)
    options = email(mail.server_address[1], user="bench", password_from="EVENFALL_TEST_PASSWORD")
    assert sent(email=options) == {"email": "sent"}
    assert mail.login == [b"bench", SECRET.encode()]
    mail.lets_in = False
    assert sent(email=options)["email"] == "not sent: the mail server answered 535"


def test_a_webhook_gets_the_notice_as_json_and_its_refusal_is_told(web, monkeypatch):
    address = f"http://127.0.0.1:{web.server_address[1]}/{SECRET}"
    monkeypatch.setenv("EVENFALL_TEST_HOOK", address)
    options = {"url_from": "EVENFALL_TEST_HOOK"}
    assert sent(webhook=options) == {"webhook": "sent"}
    assert web.posted == [(f"/{SECRET}", NOTICE)]
    web.status = 500
    assert sent(webhook=options)["webhook"] == "not sent: the server answered 500"
    monkeypatch.setenv("EVENFALL_TEST_HOOK", f"file:///{SECRET}")
    told = sent(webhook=options)["webhook"]
    assert "neither https:// nor http://" in told


def test_no_secret_is_told_in_a_failure(monkeypatch):
    monkeypatch.setenv("EVENFALL_TEST_HOOK", f"http://[{SECRET}]:x/{SECRET}")
    told = sent(webhook={"url_from": "EVENFALL_TEST_HOOK"})["webhook"]
    assert told.startswith("not sent: ")
    assert SECRET not in told


def test_a_command_gets_text_and_event_and_its_failure_is_told(tmp_path):
    program = 'cat > "$0"; echo "$EVENFALL_EVENT: $EVENFALL_SUBJECT" >> "$0"; exit "$1"'

    def told(code):
        return sent(command={"arguments": ["sh", "-c", program, str(tmp_path / "got"), code]})

    assert told("0") == {"command": "sent"}
    assert (tmp_path / "got").read_text() == f"{NOTICE['text']}trouble: {NOTICE['subject']}\n"
    assert told("3") == {"command": "not sent: it ended with 3"}
    gone = sent(command={"arguments": [str(tmp_path / "not-there")]})
    assert gone == {"command": "not sent: No such file or directory"}


def test_what_hangs_is_left_behind_and_the_others_are_sent(mute, web, monkeypatch):
    monkeypatch.setenv("EVENFALL_TEST_HOOK", f"http://127.0.0.1:{web.server_address[1]}/")
    told = sent(
        within_s=0.3,
        email=email(mute),
        webhook={"url_from": "EVENFALL_TEST_HOOK"},
        command={"arguments": ["sleep", "5"]},
    )
    assert told == {
        "email": "not sent: no end within 0.3 s",
        "webhook": "sent",
        "command": "not sent: no end within 0.3 s",
    }


def lab_with(tmp_path, text):
    (tmp_path / "notices.toml").write_text(f"format = 1\n{text}")
    return tmp_path


def test_sending_returns_at_once_and_leaves_a_line_whatever_hangs(tmp_path, mute, monkeypatch):
    monkeypatch.setenv("EVENFALL_TEST_HOOK", f"http://127.0.0.1:{mute}/{SECRET}")
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    lab = lab_with(
        tmp_path,
        f'[email]\nhost = "127.0.0.1"\nport = {mute}\nsecurity = "none"\n'
        'sender = "a@example.org"\nto = ["b@example.org"]\n'
        '[webhook]\nurl_from = "EVENFALL_TEST_HOOK"\n'
        '[command]\narguments = ["false"]\n',
    )
    notices = Notices.of_lab(lab, SystemClock())
    before_s = time.monotonic()
    for _ in range(3):
        notices.send("start", "a run has begun", "text")
    assert time.monotonic() - before_s < 2.0  # three processes begun; none waited for
    assert (lab / LOG).read_text() == "utc,event,way,result,subject\n"


def test_the_process_of_its_own_sends_and_writes_down_what_came_of_it(tmp_path, web, monkeypatch):
    monkeypatch.setenv("EVENFALL_TEST_HOOK", f"http://127.0.0.1:{web.server_address[1]}/")
    log = tmp_path / LOG
    notice = {**NOTICE, "log": str(log)}
    notice["ways"] = {
        "webhook": {"url_from": "EVENFALL_TEST_HOOK"},
        "command": {"arguments": ["false"]},
        "email": None,
    }
    subprocess.run(
        [sys.executable, "-m", "rig.notice_sender"],
        input=json.dumps(notice).encode(),
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=True,
        timeout=60,
    )
    assert [line.split(",")[1:4] for line in log.read_text().splitlines()] == [
        ["trouble", "webhook", "sent"],
        ["trouble", "command", "not sent: it ended with 1"],
    ]
    assert web.posted[0][1] == NOTICE


def test_without_a_file_nothing_is_sent(tmp_path):
    Notices.of_lab(tmp_path, SystemClock()).send("start", "a", "b")
    assert list(tmp_path.iterdir()) == []


def test_all_faults_of_the_file_are_listed(tmp_path):
    lab = lab_with(
        tmp_path,
        "[command]\narguments = []\n"
        '[email]\nhost = ""\nport = 0\nsecurity = "none"\nsender = "me"\nto = []\nuser = "x"\n'
        "[webhook]\n",
    )
    with pytest.raises(ConfigError) as found:
        read_ways(lab / "notices.toml")
    text = str(found.value)
    for word in ("email.host", "email.port", "webhook.url_from", "arguments"):
        assert word in text


def test_a_password_is_never_sent_in_the_clear(tmp_path):
    lab = lab_with(
        tmp_path,
        '[email]\nhost = "m"\nsecurity = "none"\nsender = "a@b"\nto = ["c@d", "no"]\n'
        'user = "x"\npassword_from = "EVENFALL_P"\n',
    )
    with pytest.raises(ConfigError) as found:
        read_ways(lab / "notices.toml")
    assert "would go over the network as it is" in str(found.value)
    assert "email.to is 'no'; give one address" in str(found.value)


def test_secrets_that_are_not_set_are_named(tmp_path):
    lab = lab_with(tmp_path, '[webhook]\nurl_from = "EVENFALL_A"\n')
    ways = read_ways(lab / "notices.toml")
    assert missing_secrets(ways, {}) == ["EVENFALL_A"]
    assert missing_secrets(ways, {"EVENFALL_A": "x"}) == []


class Told(Notices):
    """Remembers what would have been sent."""

    def __init__(self):
        super().__init__(Path(), SystemClock(), None)
        self.told = []

    def send(self, event, subject, text):
        self.told.append((event, subject, text))


def test_start_and_end_are_told_of_what_goes_well():
    notices = Told()
    with notices.around("run of A"):
        pass
    assert [(event, subject) for event, subject, _ in notices.told] == [
        ("start", "run of A has begun"),
        ("end", "run of A is complete"),
    ]


def test_trouble_is_told_with_its_reason_and_goes_on_as_it_was():
    notices = Told()
    stopped = RunStopped("hazard: wall power fell:\nthe lamp went out.")
    stopped.folder = Path("runs/one")
    with pytest.raises(RunStopped), notices.around("run of A"):
        raise stopped
    assert notices.told[1] == (
        "trouble",
        "run of A was stopped",
        "hazard: wall power fell: the lamp went out. Everything read until then is in runs/one.",
    )


def test_a_pause_is_told_and_everything_is_shown_as_before():
    notices, shown = Told(), []

    class Shown:
        def phase(self, name, detail=""):
            shown.append((name, detail))

        def step(self, done, total, text, left_s=None):
            shown.append((done, total, text, left_s))

        def hold(self):
            shown.append("hold")

    progress = TellingProgress(Shown(), notices, "run of A")
    progress.phase("Map", "81 points")
    progress.phase("Paused", "no reply. For at most 10 min.")
    progress.step(1, 2, "row 1", 3.0)
    progress.hold()
    assert notices.told == [("trouble", "run of A has paused", "no reply. For at most 10 min.")]
    assert shown == [
        ("Map", "81 points"),
        ("Paused", "no reply. For at most 10 min."),
        (1, 2, "row 1", 3.0),
        "hold",
    ]


def test_a_command_that_hangs_is_ended_with_all_that_it_has_started(tmp_path, monkeypatch):
    held, gone = os.pipe()
    program = f"sleep 60 & sleep 60 & echo > {tmp_path}/begun; wait"
    # The writing end stays open for as long as any of them lives.
    os.set_inheritable(gone, True)
    begin = subprocess.Popen
    monkeypatch.setattr(
        subprocess, "Popen", lambda *a, **more: begin(*a, **{**more, "pass_fds": [gone]})
    )
    try:
        with pytest.raises(notice_sender.NotSent, match=r"had not ended after 0\.5 s"):
            notice_sender._command({"arguments": ["sh", "-c", program]}, NOTICE, 0.5)
    finally:
        os.close(gone)
    assert os.read(held, 1) == b""
    os.close(held)


def test_a_disk_without_room_for_the_log_keeps_no_notice_back(tmp_path, monkeypatch):
    lab = lab_with(tmp_path, f'[command]\narguments = ["touch", "{tmp_path}/told"]\n')
    monkeypatch.setenv("PYTHONPATH", str(ROOT))

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(notices_module, "append", full)
    Notices.of_lab(lab, SystemClock()).send("trouble", "disk full", "text")
    clock = SystemClock()
    while not (tmp_path / "told").exists():
        assert clock.elapsed_s() < 30.0
        clock.wait_until(clock.elapsed_s() + 0.05)
