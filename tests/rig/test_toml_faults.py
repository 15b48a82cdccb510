"""One message mends the whole file: what it says about each kind of mistake, word for word."""

from __future__ import annotations

from datetime import date
from typing import Literal

import pytest
from attrs import field, frozen

from rig.toml_faults import ConfigError, Fault, read_toml, shown
from rig.toml_keys import choice, file_format, flag, number, numbers, text
from rig.toml_structure import read_sections


@frozen(kw_only=True)
class Lens:
    make: str = text("Maker's label.", example="L", empty=False)
    focal_mm: float = number("mm", "Focal length.", above=0, at_most=900, example=50.0)
    coated: bool = flag("Whether it is coated.", default=True)


@frozen(kw_only=True)
class Camera:
    format: int = file_format(1)
    lens: tuple[Lens, ...] = field(metadata={"allowed": "give [[lens]] tables"})
    stops: tuple[float, ...] = numbers("1", "Stops.", above=0, example=[2.8, 4.0], default=(4.0,))
    mode: Literal["still", "film"] = choice("Mode.", "still", "film", default="still")
    frames: int = number("1", "Frames.", at_least=1, at_most=99, example=9, default=1)
    bought: date | None = field(default=None)


def read(tmp_path, content):
    path = tmp_path / "camera.toml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_sections(path, Camera, lambda _sections, _raw: [])


def problems(tmp_path, content):
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, content)
    return caught.value.problems


GOOD = 'format = 1\n[[lens]]\nmake = "A"\nfocal_mm = 50\n'


def test_a_good_file_becomes_objects_and_keeps_its_bytes(tmp_path):
    data, raw, sections = read(tmp_path, GOOD)
    assert data == GOOD.encode()
    assert raw["lens"] == [{"make": "A", "focal_mm": 50}]
    assert sections["lens"] == (Lens(make="A", focal_mm=50.0),)
    assert isinstance(sections["lens"][0].focal_mm, float)


def test_every_fault_of_a_file_is_listed_at_once_with_path_value_and_remedy(tmp_path):
    with pytest.raises(ConfigError) as caught:
        read(
            tmp_path,
            'formt = 1\nmode = "flim"\nframes = true\nstops = [2.8, 0, "x"]\nbought = "today"\n'
            '[[lens]]\nmake = " "\nfocal_mm = 50\n[[lens]]\nfocal_mm = -1.5\ncoated = 1\n',
        )
    assert str(caught.value) == (
        f"9 problems in {tmp_path / 'camera.toml'}:\n"
        "  formt is not a known key; did you mean 'format'?\n"
        "  lens, entry 1: make is ' '; give text, e.g. \"L\"\n"
        '  lens, entry 2: make is missing; give text, e.g. "L"\n'
        "  lens, entry 2: focal_mm is -1.5; give a number of mm above 0 and at most 900, "
        "e.g. 50.0\n"
        "  lens, entry 2: coated is 1; give true or false\n"
        "  stops, entry 3 is 'x'; give a number above 0, e.g. 2.8\n"
        "  mode is 'flim'; give \"still\" or \"film\"; did you mean 'film'?\n"
        "  frames is true; give a whole number from 1 to 99, e.g. 9\n"
        "  bought is 'today'; give a date without quotes, e.g. 2026-01-02"
    )


def test_a_single_fault_stands_on_one_line(tmp_path):
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, GOOD + "width = 3\n")
    assert str(caught.value) == (
        f"{tmp_path / 'camera.toml'}: lens, entry 1: width is not a known key; "
        "known here: make, focal_mm, coated"
    )


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "true", '"50"', "[50]", "2026-01-01"])
def test_only_a_finite_number_is_a_number(tmp_path, value):
    (problem,) = problems(tmp_path, GOOD.replace("50", value))
    assert problem.startswith("lens, entry 1: focal_mm is ")
    assert problem.endswith("; give a number of mm above 0 and at most 900, e.g. 50.0")


@pytest.mark.parametrize("value", ["9.0", "true", "0", "100", '"9"'])
def test_only_a_whole_number_within_limits_is_a_count(tmp_path, value):
    (problem,) = problems(tmp_path, f"frames = {value}\n" + GOOD)
    assert problem.endswith("; give a whole number from 1 to 99, e.g. 9")


def test_an_integer_is_a_number_too_at_the_very_limit(tmp_path):
    assert read(tmp_path, GOOD.replace("50", "900"))[2]["lens"][0].focal_mm == 900.0


def test_a_date_with_a_time_is_not_a_date(tmp_path):
    (problem,) = problems(tmp_path, "bought = 2026-01-02T10:00:00\n" + GOOD)
    assert problem == ("bought is 2026-01-02T10:00:00; give a date without quotes, e.g. 2026-01-02")


def test_a_text_is_not_taken_for_a_list_of_letters(tmp_path):
    (problem,) = problems(tmp_path, 'stops = "48"\n' + GOOD)
    assert problem == "stops is '48'; give a list of numbers above 0, e.g. [2.8, 4.0]"


def test_a_newer_format_is_refused_with_both_numbers(tmp_path):
    (problem,) = problems(tmp_path, GOOD.replace("format = 1", "format = 2"))
    assert problem == (
        "format is 2; this version reads up to 1: give format = 1, or use a newer Evenfall"
    )


def test_a_misspelt_key_is_one_problem_and_not_two(tmp_path):
    assert problems(tmp_path, GOOD.replace("focal_mm", "focal")) == (
        "lens, entry 1: focal is not a known key; did you mean 'focal_mm'?",
    )


def test_checks_between_keys_see_what_is_sound_and_stand_in_the_same_list(tmp_path):
    path = tmp_path / "camera.toml"
    path.write_text(GOOD + "[[lens]]\nmake = 3\nfocal_mm = 2\n")
    seen = {}

    def check(sections, raw):
        seen.update(sections)
        return [Fault(("frames",), f"is too few for {len(raw['lens'])} lenses; give 2")]

    with pytest.raises(ConfigError) as caught:
        read_sections(path, Camera, check)
    assert "frames" in seen
    assert "lens" not in seen
    assert caught.value.problems == (
        'lens, entry 2: make is 3; give text, e.g. "L"',
        "frames is too few for 2 lenses; give 2",
    )


def test_bad_syntax_is_told_with_line_column_and_the_line_itself(tmp_path):
    (problem,) = problems(tmp_path, "format = 1\nframes = nine\n")
    assert problem == "line 2, column 10: not valid TOML: Invalid value, in 'frames = nine'."


def test_an_unfinished_file_is_told_at_its_end(tmp_path):
    (problem,) = problems(tmp_path, 'format = 1\nmode = "still')
    assert problem == "line 2, at the end of the file: not valid TOML: Unterminated string."


def test_latin_1_bytes_are_told_with_their_line(tmp_path):
    (problem,) = problems(tmp_path, b'format = 1\nmode = "\xe4"\n')
    assert problem == "line 2: not UTF-8 text (byte 0xE4). Save it as UTF-8."


def test_a_byte_order_mark_is_no_fault_and_stays_in_the_bytes(tmp_path):
    path = tmp_path / "camera.toml"
    path.write_bytes(b"\xef\xbb\xbfformat = 1\n")
    assert read_toml(path) == (b"\xef\xbb\xbfformat = 1\n", {"format": 1})


def test_a_missing_file_and_a_folder_are_told_in_one_line(tmp_path):
    with pytest.raises(ConfigError, match=r"none\.toml: the file is not there\. Check the path\."):
        read_toml(tmp_path / "none.toml")
    with pytest.raises(ConfigError, match=r"cannot be read: Is a directory; give a file"):
        read_toml(tmp_path)


def test_a_wrong_file_does_not_flood_the_terminal():
    error = ConfigError("x.toml", [f"problem {n}" for n in range(100)])
    assert len(error.problems) == 100
    assert len(str(error).splitlines()) == 42
    assert str(error).endswith("\n  and 60 more")


def test_long_values_are_cut_when_shown():
    assert shown("x" * 500) == "'" + "x" * 56 + "…'"
    assert shown({"a": 1}) == "a table"
    assert shown([True, 1.5, "a"]) == "[true, 1.5, 'a']"
