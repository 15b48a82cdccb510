"""Wrong input for every command: a message with place and remedy, no traceback, nothing made.

Each case names what the message has to say; where it stands, what was received and what to do
instead are parts of it. Plans, profiles and tables have tests of their own for each key.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from rig.cli import main
from tests.synthetic_run import entered_run

JUNK = bytes(np.random.default_rng(6).integers(0, 256, 2000, dtype=np.uint8))
NOT_TOML = {
    "missing": (None, "the file is not there. Check the path."),
    "folder": ("folder", "cannot be read: Is a directory; give a file"),
    "junk": (b"\xff" + JUNK, "not UTF-8 text (byte 0xFF)"),
    "zeros": (b"\0" * 64, "not valid TOML"),
    "latin": ('format = 1\nname = "Größe"\n'.encode("latin-1"), "line 2: not UTF-8 text"),
    "empty": (b"", "format is missing; give format = 1"),
    "huge": (b'name = "' + b"x" * 300_000, "not valid TOML"),
}
SIZE = ["--width-mm", "1000", "--depth-mm", "1000"]
ENTER = ["--device", "A", *SIZE, "--mounting-height-mm", "400"]


@pytest.fixture(scope="module")
def run(tmp_path_factory) -> Path:
    return entered_run(tmp_path_factory.mktemp("lab") / "run", np.full((3, 3), 400.0))


@pytest.fixture
def place(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_bytes(b"not ours")
    (tmp_path / "ok.csv").write_bytes(b"100,200\n300,400\n")
    return tmp_path


def told(capsys, *words: object) -> tuple[int, str]:
    """Carry out a command; return its exit code and what it says, in one line."""
    try:
        code = main([str(word) for word in words])
    except SystemExit as ended:  # what argparse refuses
        code = int(ended.code or 0)
    out, err = capsys.readouterr()
    assert "defect" not in err
    assert "Traceback" not in err + out
    return code, " ".join((out + err).split())


def made(place: Path, case: str) -> tuple[Path, str]:
    content, message = NOT_TOML[case]
    path = place / f"{case}.toml"
    if content == "folder":
        path.mkdir()
    elif content is not None:
        path.write_bytes(content)
    return path, message


@pytest.mark.parametrize("case", NOT_TOML)
@pytest.mark.parametrize("wrong", ["plan", "rig"])
def test_a_plan_or_profile_that_is_none_is_refused_before_anything_is_made(
    place, capsys, case, wrong
):
    assert main(["new", "--virtual-bench", "--yes", "--out", "."]) == 0
    path, message = made(place, case)
    plan, rig = (path, "rig.toml") if wrong == "plan" else ("plan.toml", path)
    code, said = told(capsys, "run", plan, "--rig", rig)
    assert code == 2
    assert path.name in said
    assert message in said
    assert not (place / "lab").exists()


@pytest.mark.parametrize("case", ["missing", "folder", "junk", "zeros", "empty"])
@pytest.mark.parametrize("option", ["--scenario", "--virtual-bench"])
def test_a_scenario_that_is_none_is_refused(place, capsys, case, option):
    path, _ = made(place, case)
    command = ["simulate"] if option == "--scenario" else ["new", "--yes"]
    code, said = told(capsys, *command, option, path, "--out", "bench")
    assert (code, path.name in said) == (2, True)
    assert not (place / "bench").exists()


@pytest.mark.parametrize(
    ("command", "what"),
    [
        (["report"], "not a run folder"),
        (["resume"], "not a run folder"),
        (["heights"], "not a run folder"),
        (["compare", "file"], "not a run folder"),
        (["export", "--out", "tables"], "not a run folder"),
        (["lamps"], "not a lab folder"),
        (["control"], "not a lab folder"),
        (["watch"], "neither a lab folder"),
        (["schedule", "list", "--lab"], "not a lab folder"),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
@pytest.mark.parametrize("path", ["missing", "folder", "ok.csv"])
def test_what_is_no_folder_of_ours_is_said_to_be_none(place, capsys, command, what, path):
    code, said = told(capsys, *command, path)
    assert code == 1
    assert what in said
    assert "Give a" in said or "Give one" in said
    assert not (place / "tables").exists()


NUMBERS = ["nan", "inf", "-5", "1e400", "600mm", "1,5", ""]


@pytest.mark.parametrize("number", NUMBERS)
@pytest.mark.parametrize(
    ("command", "option"),
    [
        (["simulate"], "--mounting-height-mm"),
        (["simulate"], "--light-after"),
        (["watch", "."], "--port"),
        (["enter", "ok.csv", *ENTER], "--mounting-height-mm"),
        (["enter", "ok.csv", *ENTER], "--width-mm"),
        (["enter", "ok.csv", *ENTER], "--wall-power-w"),
        (["enter", "ok.csv", *ENTER, "--lux-limit-percent", "5"], "--lux-per-ppfd"),
    ],
    ids=lambda value: value if isinstance(value, str) else value[0],
)
def test_a_number_that_is_none_or_cannot_be_is_refused_by_its_option(
    place, capsys, command, option, number
):
    code, said = told(capsys, *command, f"{option}={number}")
    assert code == 2
    assert option in said
    assert "give " in said
    assert not (place / "lab").exists()
    assert not (place / "bench").exists()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["new", "--virtual-bench", "--yes"], "--out file: is a file; give a folder"),
        (["export", "RUN"], "--out file: is a file; give a folder"),
        (["simulate"], "--out file: cannot be made a folder"),
        (["demo"], "file: is there, and is not a demo's folder"),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
def test_a_file_where_a_folder_is_to_be_written_is_kept(place, capsys, run, words, message):
    command = [run if word == "RUN" else word for word in words]
    code, said = told(capsys, *command, "--out", "file")
    assert code == 2
    assert message in said
    assert (place / "file").read_bytes() == b"not ours"


@pytest.mark.parametrize("command", ["report", "heights"])
@pytest.mark.parametrize("out", ["folder", "no/such/page.png"])
def test_a_page_that_has_no_place_is_refused_before_it_is_made(place, capsys, run, command, out):
    code, said = told(capsys, command, run, "--out", out)
    assert (code, f"--out {out}" in said) == (2, True)
    assert "give a file to write" in said


def test_a_lab_that_cannot_be_made_leaves_nothing(place, capsys):
    for lab in ("file", "/proc/none"):
        code, said = told(capsys, "enter", "ok.csv", *ENTER, "--lab", lab)
        assert (code, lab in said) == (1, True)
        assert "Give another" in said


@pytest.mark.parametrize("file", ["plan.toml", "rig.toml", "readings.csv", "events.csv"])
@pytest.mark.parametrize("damage", ["gone", "junk", "half", "folder"])
def test_a_damaged_run_folder_is_read_as_far_as_it_goes_and_said_to_be_damaged(
    place, capsys, run, file, damage
):
    folder = Path(shutil.copytree(run, place / "run"))
    path = folder / file
    whole = path.read_bytes()
    path.unlink()
    if damage == "folder":
        path.mkdir()
    elif damage != "gone":
        path.write_bytes(JUNK if damage == "junk" else whole[: len(whole) // 2])
    code, said = told(capsys, "export", folder, "--out", "tables")
    assert code in (0, 1)
    assert file in said
    assert told(capsys, "resume", folder)[0] in (1, 2)


def planted(*_: object) -> None:
    raise RuntimeError("planted")


def full(*_: object, **__: object) -> None:
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize("is_writable", [True, False])
def test_a_defect_is_told_in_one_line_and_its_place_is_kept(
    place, capsys, monkeypatch, is_writable
):
    monkeypatch.setattr("rig.lamps.lamps_command", planted)
    if not is_writable:
        monkeypatch.setattr(Path, "write_text", full)
    assert main(["lamps"]) == 1
    err = capsys.readouterr().err
    assert err.startswith("evenfall: a defect in Evenfall, not in your bench: RuntimeError")
    assert len(err.splitlines()) == 1
    if is_writable:
        assert "planted" in (place / "evenfall-defect.txt").read_text(encoding="utf-8")
    else:
        assert "Please report it with test_bad_input.py, line " in err
