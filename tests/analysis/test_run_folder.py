"""Rows survive the way to the file and back; damage is listed and never read as data."""

import json
import zlib
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.run_folder import (
    DESCRIPTOR,
    EVENT_COLUMNS,
    EVENTS,
    FORMAT,
    PLAN,
    READING_COLUMNS,
    READINGS,
    RIG,
    EventRow,
    ReadingRow,
    RunFolderError,
    encode_event,
    encode_reading,
    escape,
    header,
    load,
    split_rows,
    unescape,
)

UTC_NOON = datetime(2026, 1, 5, 12, 0, 0, 250_000, tzinfo=UTC)


def reading(**changes):
    row = {
        "elapsed_s": 12.5,
        "utc": UTC_NOON,
        "window_start_s": 11.5,
        "window_end_s": 12.5,
        "instrument": "light_sensor",
        "quantity": "ppfd_umol_m2_s",
        "value": 612.25,
        "unit": "umol/m2/s",
        "role": "grid",
        "installation": 1,
        "grid_row": 2,
        "grid_column": 5,
        "x_mm": 733.3,
        "y_mm": 333.3,
        "mounting_height_mm": 450.0,
        "sample": 1,
        "raw": b"0+612.25\r\n",
    }
    return ReadingRow(**{**row, **changes})


@pytest.fixture
def folder(tmp_path):
    (tmp_path / READINGS).write_bytes(header(READING_COLUMNS))
    (tmp_path / EVENTS).write_bytes(header(EVENT_COLUMNS))
    (tmp_path / PLAN).write_text("format = 1\n")
    (tmp_path / RIG).write_text("format = 1\n")
    (tmp_path / DESCRIPTOR).write_text(json.dumps({"evenfall": {"format": FORMAT}}))
    return tmp_path


def add(folder, *rows):
    with (folder / READINGS).open("ab") as file:
        file.write(b"".join(encode_reading(row) for row in rows))


def test_a_row_ends_in_the_crc_of_its_own_bytes():
    line = encode_reading(reading())
    body, crc = line[:-1].rsplit(b",", 1)
    assert int(crc, 16) == zlib.crc32(body + b",")


def test_a_reading_comes_back_as_it_was_written(folder):
    add(folder, reading())
    table = load(folder).readings
    assert table.loc[0, "value"] == 612.25
    assert table.loc[0, "grid_column"] == 5
    assert table.loc[0, "utc"] == "2026-01-05T12:00:00.250Z"
    assert unescape(table.loc[0, "raw"]) == b"0+612.25\r\n"


def test_a_missing_value_stays_missing(folder):
    add(folder, reading(value=None, status="missing"), reading(value=float("nan")))
    assert load(folder).readings["value"].isna().all()


@given(st.binary(max_size=64))
def test_any_raw_reply_survives_escaping(raw):
    text = escape(raw)
    assert unescape(text) == raw
    assert not set(text) & set(',"\n\r ')
    assert text.isascii()


@pytest.mark.parametrize("text", ["\\", "\\q", "a\\x1", "\\X41"])
def test_what_is_no_escape_is_refused(text):
    with pytest.raises(ValueError, match="not an escaped reply"):
        unescape(text)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_finite_value_comes_back_bit_for_bit(value):
    cells = encode_reading(reading(value=value)).decode().split(",")
    assert float(cells[READING_COLUMNS.index("value")]) == value


def test_event_text_with_commas_quotes_and_line_breaks_stays_one_row(folder):
    row = EventRow(
        elapsed_s=1.0, utc=UTC_NOON, event="note", subject="a, b", detail='say "yes"\nor no'
    )
    with (folder / EVENTS).open("ab") as file:
        file.write(encode_event(row))
    events = load(folder).events
    assert list(events["detail"]) == ['say "yes" / or no']
    assert list(events["subject"]) == ["a, b"]


def test_a_torn_row_is_listed_and_not_read(folder):
    add(folder, reading(), reading())
    whole = (folder / READINGS).read_bytes()
    (folder / READINGS).write_bytes(whole[:-7])
    run = load(folder)
    assert len(run.readings) == 1
    assert [d.problem for d in run.damage] == [
        f"torn row of {len(encode_reading(reading())) - 7} bytes at the end"
    ]


def test_a_profile_that_is_gone_is_listed(folder):
    (folder / RIG).unlink()
    run = load(folder)
    assert run.rig == {}
    assert [(item.file, item.problem) for item in run.damage] == [(RIG, "the file is not there")]


def test_a_changed_digit_is_listed_and_not_read(folder):
    add(folder, reading(value=100.5), reading(value=200.5), reading(value=300.5))
    path = folder / READINGS
    path.write_bytes(path.read_bytes().replace(b"200.5", b"201.5"))
    run = load(folder)
    assert list(run.readings["value"]) == [100.5, 300.5]
    assert [(d.line, d.problem) for d in run.damage] == [(3, "CRC-32 does not match the row")]


def test_a_file_saved_by_a_spreadsheet_is_called_edited(folder):
    add(folder, reading(), reading(), reading())
    path = folder / READINGS
    path.write_bytes(path.read_bytes().replace(b"612.25,", b"612.250,"))
    run = load(folder)
    assert len(run.readings) == 0
    assert "edited by another program" in run.damage[0].problem


def test_a_newer_format_is_refused_with_both_versions(folder):
    (folder / DESCRIPTOR).write_text(json.dumps({"evenfall": {"format": FORMAT + 1}}))
    with pytest.raises(RunFolderError, match=f"format {FORMAT + 1}.*up to {FORMAT}"):
        load(folder)


def test_a_folder_that_is_no_run_is_refused(tmp_path):
    with pytest.raises(RunFolderError, match="not a run folder"):
        load(tmp_path)


def test_a_missing_events_file_is_damage_not_an_end(folder):
    (folder / EVENTS).unlink()
    run = load(folder)
    assert len(run.events) == 0
    assert run.damage[0].problem == "the file is not there"


def test_a_foreign_header_is_refused(folder):
    (folder / READINGS).write_bytes(b"time;value\n1;2\n")
    with pytest.raises(RunFolderError, match="header"):
        load(folder)


def test_split_at_every_byte_gives_a_prefix_of_whole_rows():
    rows = [encode_reading(reading(sample=n)) for n in range(1, 4)]
    whole = header(READING_COLUMNS) + b"".join(rows)
    ends = np.cumsum([len(header(READING_COLUMNS)), *map(len, rows)])
    for cut in range(len(whole) + 1):
        sound, _, _ = split_rows(whole[:cut], READINGS)
        complete = ends[ends <= cut]
        assert sound == (whole[: complete[-1]] if complete.size else b"")
