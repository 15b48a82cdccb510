"""Ports and who holds them, from pseudo-terminals and made-up process tables."""

from __future__ import annotations

import os
import pty
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from drivers import finding

PORT = "/dev/ttyUSB7"


@pytest.fixture
def terminal() -> Iterator[str]:
    master, slave = pty.openpty()
    name = os.ttyname(slave)
    os.close(slave)
    yield name
    os.close(master)


def process(proc: Path, pid: int, name: str, *opened: str) -> None:
    folder = proc / str(pid)
    (folder / "fd").mkdir(parents=True)
    (folder / "comm").write_text(name + "\n")
    for number, target in enumerate(opened):
        (folder / "fd" / str(number)).symlink_to(target)


def test_ports_are_listed_by_their_lasting_names(tmp_path, monkeypatch):
    for folder, name in (("by-id", "usb-maker-adapter-A1"), ("by-path", "pci-0-usb-0:2")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / name).symlink_to(PORT)
    found = [
        SimpleNamespace(device=PORT, description="adapter", manufacturer=None, serial_number="A1"),
        SimpleNamespace(
            device="/dev/ttyS0", description="n/a", manufacturer=None, serial_number=""
        ),
    ]
    monkeypatch.setattr(finding.list_ports, "comports", lambda: found)
    plain, usb = finding.serial_ports(tmp_path)
    assert usb.name == str(tmp_path / "by-id" / "usb-maker-adapter-A1")
    assert usb.names[1] == str(tmp_path / "by-path" / "pci-0-usb-0:2")
    assert usb.says == "adapter, A1"
    assert (plain.name, plain.names, plain.says) == ("/dev/ttyS0", (), "")


def test_without_lasting_names_there_is_still_a_list(tmp_path):
    assert all(port.names == () for port in finding.serial_ports(tmp_path / "nowhere"))


def test_holder_of_a_port_is_named_and_others_are_not(tmp_path):
    process(tmp_path, 12, "ModemManager", "/dev/null", PORT)
    process(tmp_path, 13, "editor", "/dev/ttyUSB70")
    process(tmp_path, os.getpid(), "we", PORT)
    (tmp_path / "14").mkdir()  # a process that has ended, or is not ours to look at
    (tmp_path / "self").mkdir()
    assert list(finding.holders(PORT, tmp_path)) == [finding.Holder(12, "ModemManager")]


def test_known_service_is_explained_with_its_remedy(tmp_path):
    process(tmp_path, 12, "ModemManager", PORT)
    trouble = finding.busy(finding.holders(PORT, tmp_path))
    assert "in use by ModemManager (process 12), a modem manager" in trouble.problem
    assert "systemctl" in trouble.remedy


def test_holder_that_we_may_not_see_is_admitted(tmp_path):
    trouble = finding.busy(finding.holders(PORT, tmp_path))
    assert "not yours to see" in trouble.problem
    assert "fuser" in trouble.remedy


def test_grabbers_are_seen_while_they_hold_nothing(tmp_path):
    process(tmp_path, 12, "brltty")
    process(tmp_path, 13, "brltty-helper")
    assert [one.process for one in finding.running_grabbers(tmp_path)] == ["brltty"]
    assert finding.running_grabbers(tmp_path / "nowhere") == ()


def test_free_port_is_no_trouble(terminal, tmp_path):
    assert finding.trouble_with(terminal, tmp_path) is None


def test_missing_port_says_which_are_present(tmp_path, monkeypatch):
    monkeypatch.setattr(finding, "serial_ports", lambda: (finding.FoundPort(device=PORT),))
    trouble = finding.trouble_with(str(tmp_path / "gone"))
    assert trouble.problem == "is not there."
    assert PORT in trouble.remedy


def test_file_is_not_a_port(tmp_path):
    (tmp_path / "notes.txt").write_text("")
    assert "not a serial port" in finding.trouble_with(str(tmp_path / "notes.txt")).problem


@pytest.mark.parametrize(
    ("group", "user", "remedy"),
    [
        (("dialout", []), "ann", "usermod -aG dialout"),
        (("dialout", ["ann"]), "ann", "sign in again"),
        (("root", []), "ann", "hardware/computer.md"),
    ],
)
def test_permission_is_asked_for_by_the_group_of_the_port(
    terminal, monkeypatch, group, user, remedy
):
    monkeypatch.setattr(os, "access", lambda *_: False)
    monkeypatch.setenv("USER", user)
    name, members = group
    monkeypatch.setattr(
        finding.grp, "getgrgid", lambda _: SimpleNamespace(gr_name=name, gr_mem=members)
    )
    trouble = finding.trouble_with(terminal)
    assert trouble.problem == "may not be opened by you."
    assert remedy in trouble.remedy


def test_two_names_of_one_device_are_one_port(terminal, tmp_path):
    (tmp_path / "sensor").symlink_to(terminal)
    assert finding.same_port(str(tmp_path / "sensor"), terminal)
    assert not finding.same_port(terminal, "/dev/null")


@pytest.mark.skipif(sys.platform != "linux", reason="the process table of Linux")
def test_real_process_table_knows_who_holds_a_terminal(terminal):
    # The far end is a descriptor of ours; a child that has the port open is somebody else.
    child = os.fork()
    if not child:
        os.open(terminal, os.O_RDWR | os.O_NOCTTY)
        os.kill(os.getpid(), 19)  # stop, until the parent has looked
        os._exit(0)
    os.waitpid(child, os.WUNTRACED)
    try:
        assert [holder.pid for holder in finding.holders(terminal)] == [child]
    finally:
        os.kill(child, 9)
        os.waitpid(child, 0)
