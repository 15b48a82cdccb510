"""A line is taken whole and as the profile describes it, or not at all."""

import math
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.ascii_line import codec
from drivers.ascii_line.codec import CodecError, LineForm
from tests.drivers.far_end import every_split


def form(pattern, **more):
    more["no_value"] = tuple(codec.compile_form(one) for one in more.get("no_value", ()))
    return LineForm(value=codec.compile_value_form(pattern), **more)


PAR = form(r"PAR=(?P<value>[+-]?\d+\.\d)", plausible=(-20.0, 3000.0))


@pytest.mark.parametrize(
    ("text", "data"),
    [
        ("READ\r\n", b"READ\r\n"),  # TOML has turned the escapes already
        (r"READ\r\n", b"READ\r\n"),  # a literal string of TOML
        (r"\x02R\x03", b"\x02R\x03"),
        (r"\xff\0\t\\", b"\xff\x00\t\\"),
        ("hex: 02 52 0D", b"\x02R\r"),
        ("hex:ff", b"\xff"),
        ("", b""),
    ],
)
def test_bytes_are_written_as_text_or_hexadecimal(text, data):
    assert codec.parse_bytes(text) == data


@pytest.mark.parametrize("text", [r"\q", "\\", r"\x1", "hex: 0", "hex: zz", "µ"])
def test_bytes_that_are_neither_are_refused(text):
    with pytest.raises(CodecError):
        codec.parse_bytes(text)


@pytest.mark.parametrize(
    ("pattern", "problem"),
    [
        (r"PAR=\d+", "exactly one group"),
        (r"PAR=(\d+)", "exactly one group"),
        (r"(PAR)=(?P<value>\d+)", "exactly one group"),
        (r"(?P<ppfd>\d+)", "exactly one group"),
        (r"(?P<value>\d+", "not a regular expression: missing"),
        (r"(?P<value>[)", "not a regular expression"),
        (r"(?:\d+)+(?P<value>\d)", "inside a repeated group"),
        (r"(?P<value>(?:\d|\d\d)+)", "inside a repeated group"),
        (r"(?:(?:a?)*b)*(?P<value>\d)", "inside a repeated group"),
        (r"(?:[)*]+)+(?P<value>\d)", "inside a repeated group"),
        (r"(?:\d{2,}x)*(?P<value>\d)", "inside a repeated group"),
        (r".*,.*,.*(?P<value>\d)", "more than two"),
    ],
)
def test_a_pattern_that_cannot_be_used_is_refused_when_it_is_read(pattern, problem):
    with pytest.raises(CodecError, match=problem):
        codec.compile_value_form(pattern)


@pytest.mark.parametrize(
    "pattern",
    [
        r"(?P<value>[+-]?\d+(?:\.\d+)?)",
        r"\s*PAR\s*[:=]\s*(?P<value>-?\d+[.,]\d+)\s*(?:umol|µmol)?",
        r"[^,]*,[^,]*,(?P<value>\d+),.*",
        r"#(?:ab){2,4}[\])*+](?P<value>\d+)\(\d*\)",
        r"(?i:par) (?P<value>\d+)(?! W)",
    ],
)
def test_usual_patterns_are_taken(pattern):
    assert codec.compile_value_form(pattern).groups == 1


@pytest.mark.parametrize(
    ("line", "value"),
    [(b"PAR=123.4", 123.4), (b"PAR=-0.5", -0.5), (b"PAR=+7.0", 7.0), (b"PAR=3000.0", 3000.0)],
)
def test_a_line_of_the_form_is_read(line, value):
    assert PAR.decode(line) == value


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        (b"PAR=123.", "does not have the form"),
        (b"PAR=123.45", "does not have the form"),
        (b"AR=123.4", "does not have the form"),
        (b"PAR=123.4\r", "does not have the form"),
        (b"PAR=123.4PAR=5.6", "does not have the form"),
        (b"PAR=1\x003.4", "does not have the form"),
        (b"", "does not have the form"),
        (b"PAR=3000.1", "3000.1 is not plausible, -20 to 3000 is"),
        (b"PAR=-99.0", "-99 is not plausible"),
        (b"PAR=1234.4" + b" " * 120, "a line of 130 bytes; 120 at most"),
    ],
)
def test_any_other_line_is_refused_with_the_reason(line, problem):
    with pytest.raises(CodecError, match=problem):
        PAR.decode(line)


@pytest.mark.parametrize(
    ("pattern", "line"),
    [
        (r".*(?P<value>\d+\.\d+).*", b"PAR=123.4"),  # greedy: would read 3.4
        (r"PAR=(?P<value>\d+).*", b"PAR=123.4"),  # would read 123
        (r".*?(?P<value>\d+\.\d)", b"-12.5"),  # would lose the sign
        (r".*?(?P<value>\d\.\d)", b"- 2.5"),
        (r"(?P<value>\d\.\d).*", b"1.5e3"),  # would lose the exponent
        (r"\d\.(?P<value>\d+)", b"1.25"),
    ],
)
def test_a_pattern_that_cuts_a_number_gives_no_value(pattern, line):
    with pytest.raises(CodecError, match="out of a longer number"):
        form(pattern).decode(line)


@pytest.mark.parametrize(
    ("pattern", "line", "value"),
    [
        (r"\d+,(?P<value>\d+\.\d),\d+", b"7,12.5,9", 12.5),
        (r"ch1: (?P<value>\d+) \d+", b"ch1: 12 13", 12.0),
        (r"(?P<value>-? *\d+)", b"-  12", -12.0),
        (r"(?P<value>\S+)", b"1.5E+2", 150.0),
        (r"(?P<value>\S+) .*", b".5 umol", 0.5),
    ],
)
def test_a_number_ends_where_something_else_begins(pattern, line, value):
    assert form(pattern).decode(line) == value


@pytest.mark.parametrize("text", [b"nan", b"inf", b"1_000", b"0x10", b"1,5", b"--5", b"", b"\xb2"])
def test_what_python_might_read_as_a_number_is_none_unless_a_sensor_would_write_it(text):
    with pytest.raises(CodecError):
        form(r"(?P<value>.*)").decode(text)


def test_a_number_beyond_all_bounds_is_not_plausible():
    with pytest.raises(CodecError, match="inf is not plausible"):
        form(r"(?P<value>\S+)", plausible=(-1e9, 1e9)).decode(b"9e999")


def test_a_comma_is_the_point_where_the_profile_says_so():
    comma = form(r"(?P<value>[\d.,]+)", decimal_comma=True)
    assert comma.decode(b"12,5") == 12.5
    with pytest.raises(CodecError, match="not a number"):
        comma.decode(b"12.5")
    with pytest.raises(CodecError, match="out of a longer"):
        form(r"(?P<value>\d+),.*", decimal_comma=True).decode(b"12,5")


def test_scale_goes_before_the_plausible_range():
    scaled = form(r"(?P<value>\d+)", scale=0.5, plausible=(0.0, 100.0))
    assert scaled.decode(b"150") == 75.0
    with pytest.raises(CodecError, match="125 is not plausible"):
        scaled.decode(b"250")


def test_a_line_without_a_value_is_missing_not_a_number():
    with_none = form(r"PAR=(?P<value>\d+)", no_value=("PAR=-+", "ERR .*"))
    assert math.isnan(with_none.decode(b"PAR=---"))
    assert math.isnan(with_none.decode(b"ERR 12"))
    with pytest.raises(CodecError):
        with_none.decode(b"PAR=--- 5")


@pytest.mark.parametrize(("first", "second"), every_split(b"PAR=123.4\r\n"))
def test_a_line_is_whole_only_at_its_end(first, second):
    lines, rest = codec.split_lines(first, b"\r\n")
    assert (lines, rest) == (([b"PAR=123.4"], b"") if not second else ([], first))
    assert codec.split_lines(first + second, b"\r\n") == ([b"PAR=123.4"], b"")


@given(number=st.decimals(min_value=-20, max_value=2999, places=1))
@settings(deadline=None)
def test_what_a_sensor_writes_is_what_is_read(number):
    assert PAR.decode(f"PAR={number}".encode()) == float(number)


@given(data=st.binary(max_size=150))
@settings(deadline=None)
def test_no_bytes_at_all_break_the_decoder(data):
    loose = form(r"[^,]*,(?P<value>.*),.*", decimal_comma=True, no_value=("x+",))
    for line in [data, b"PAR=" + data, *codec.split_lines(data, b"\n")[0]]:
        for one in (PAR, loose):
            with suppress(CodecError):
                assert math.isfinite(one.decode(line)) or line.startswith(b"x")


@given(text=st.text(max_size=30))
@settings(deadline=None)
def test_no_text_at_all_breaks_the_reading_of_a_profile(text):
    for read in (codec.parse_bytes, codec.compile_form, codec.compile_value_form):
        with suppress(CodecError):
            read(text)


@pytest.mark.parametrize("bit", range(8))
@pytest.mark.parametrize("place", range(len(b"PAR=123.4")))
def test_a_wrong_bit_passes_only_where_it_makes_another_digit_or_sign(place, bit):
    # What this protocol cannot notice by itself, stated: nothing else passes.
    damaged = bytearray(b"PAR=123.4")
    damaged[place] ^= 1 << bit
    try:
        PAR.decode(bytes(damaged))
    except CodecError:
        return
    assert chr(damaged[place]) in "+-0123456789"
    assert place in (4, 5, 6, 8)
