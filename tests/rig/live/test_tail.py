"""A growing file is read whole row by whole row, whatever moment it is looked at."""

from __future__ import annotations

import os
from datetime import UTC, datetime

import pytest

from analysis.run_folder import EVENT_COLUMNS, EventRow, RunFolderError, encode_event, header
from rig.live import tail
from rig.live.tail import NotThere, StartedOver, Tail, opened, whole


def row(name: str) -> bytes:
    utc = datetime(2026, 1, 5, tzinfo=UTC)
    return encode_event(
        EventRow(elapsed_s=1.5, utc=utc, event=name, subject="µ, x", detail='a "b"')
    )


@pytest.fixture
def growing(tmp_path):
    path = tmp_path / "events.csv"
    path.write_bytes(header(EVENT_COLUMNS))
    return path, Tail(path=path, columns=EVENT_COLUMNS)


def add(path, data: bytes) -> None:
    with path.open("ab") as file:
        file.write(data)


def names(found: Tail) -> list[str]:
    return [row["event"] for row in found.more()[0]]


def test_rows_come_once_each_wherever_the_file_is_cut(growing):
    path, _ = growing
    data = header(EVENT_COLUMNS) + row("one") + row("two")
    for cut in range(len(data) + 1):
        path.write_bytes(data[:cut])
        found = Tail(path=path, columns=EVENT_COLUMNS)
        seen = names(found)
        add(path, data[cut:])
        assert seen + names(found) == ["one", "two"]
        assert found.damaged == 0
        assert names(found) == []


def test_a_torn_tail_that_is_cut_off_and_written_anew_is_read_once(growing):
    path, found = growing
    add(path, row("one") + row("torn")[:20])
    assert names(found) == ["one"]
    path.write_bytes(header(EVENT_COLUMNS) + row("one"))  # as a resume does, in the same file
    assert names(found) == []
    add(path, row("two"))
    assert names(found) == ["two"]


def test_a_row_whose_check_sum_fails_is_left_out_and_counted(growing):
    path, found = growing
    add(path, row("one").replace(b"1.5", b"1.6") + row("two"))
    assert names(found) == ["two"]
    assert found.damaged == 1


def test_text_beyond_ascii_and_quotes_come_back_as_written(growing):
    path, found = growing
    add(path, row("one"))
    ((read,), _) = found.more()
    assert (read["subject"], read["detail"]) == ("µ, x", 'a "b"')


def test_a_file_that_became_shorter_or_another_one_is_begun_anew(growing):
    path, found = growing
    add(path, row("one"))
    found.more()
    path.write_bytes(header(EVENT_COLUMNS))
    with pytest.raises(StartedOver):
        found.more()


def test_a_long_file_is_read_in_pieces(growing, monkeypatch):
    path, found = growing
    monkeypatch.setattr(tail, "MOST_BYTES", 200)
    add(path, b"".join(row(f"n{at}") for at in range(20)))
    seen = []
    for _ in range(40):
        rows, _ = found.more()
        seen += [one["event"] for one in rows]
    assert seen == [f"n{at}" for at in range(20)]


def test_another_header_is_refused(growing):
    path, found = growing
    path.write_bytes(b"a,b\n1,2\n")
    with pytest.raises(RunFolderError, match=r"events\.csv does not begin as such a file must"):
        found.more()


def test_a_file_that_is_not_there_yet_has_no_rows(tmp_path):
    assert Tail(path=tmp_path / "none.csv", columns=EVENT_COLUMNS).more() == ([], False)


def test_links_pipes_and_folders_are_not_opened(tmp_path):
    (tmp_path / "secret").write_text("x")
    (tmp_path / "link").symlink_to(tmp_path / "secret")
    os.mkfifo(tmp_path / "pipe")
    for name in ("link", "pipe", "."):
        with pytest.raises(NotThere), opened(tmp_path / name):
            pass


def test_a_small_file_that_is_large_is_refused(tmp_path):
    (tmp_path / "big").write_bytes(b"12345")
    assert whole(tmp_path / "big", 5) == b"12345"
    with pytest.raises(NotThere, match="larger than 4 bytes"):
        whole(tmp_path / "big", 4)
