"""What an interrupted run has left behind: how far each file is sound, and when it ended.

Nothing here writes; `rig/recorder.py` does, and only after all of this has been found in order.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from analysis import run_folder
from analysis.run_folder import DESCRIPTOR, EVENTS, READINGS
from rig.storage import RecorderError, Storage, measure


def read_descriptor(storage: Storage, folder: Path) -> dict[str, Any]:
    """Return the descriptor of a run folder.

    Raises
    ------
    RecorderError
        Not a run folder, or one of a newer format.
    """
    path = folder / DESCRIPTOR
    try:
        found = json.loads(b"".join(storage.chunks(path)))
        written = found["evenfall"]["format"]
        if not isinstance(written, int):
            raise TypeError(f"format is {written!r}")
    except FileNotFoundError:
        raise RecorderError(
            f"{folder}: not a run folder ({DESCRIPTOR} is not there). Give a folder made by "
            "'evenfall run' or 'evenfall enter'."
        ) from None
    except (ValueError, KeyError, TypeError) as error:
        raise RecorderError(
            f"{path}: not a descriptor of a run ({error}). Restore it from a copy."
        ) from None
    if written > run_folder.FORMAT:
        raise RecorderError(
            f"{path}: run-folder format {written}, this version writes up to "
            f"{run_folder.FORMAT}. Use a newer Evenfall."
        )
    return dict(found)


def check_hashes(storage: Storage, folder: Path, found: Mapping[str, Any]) -> None:
    """Compare what was hashed at closing with what is there.

    Raises
    ------
    RecorderError
        A file was changed since.
    """
    for resource in found["resources"]:
        if resource["path"] in (READINGS, EVENTS) and "hash" in resource:
            _, sha256 = measure(storage, folder / resource["path"])
            if resource["hash"] != f"sha256:{sha256}":
                raise RecorderError(
                    f"{folder / resource['path']}: edited by another program since the run was "
                    "closed (its SHA-256 differs). Restore it from a copy."
                )


def whole_length(path: Path, data: bytes, header: bytes) -> int:
    """Return the length of a file up to its last whole row; 0 if its header is torn. [bytes]"""
    if header.startswith(data) and len(data) < len(header):
        return 0
    sound, damage, tail_start = run_folder.split_rows(data, path.name)
    if any("edited by another program" in found.problem for found in damage):
        raise RecorderError(
            f"{path}: edited by another program: no CRC-32 matches its row. Restore it from a "
            "copy; nothing was changed."
        )
    if not data.startswith(header):
        raise RecorderError(
            f"{path}: the header is not that of a run. It was edited or is of another format; "
            "restore it from a copy. Nothing was changed."
        )
    # Behind the last row whose CRC holds there may be whole lines of rubbish as well: sectors
    # that a power cut left half written.
    last_row = sound[sound.rstrip(b"\n").rfind(b"\n") + 1 :]
    if len(last_row) == len(sound):
        return len(header)
    return data.rfind(b"\n" + last_row, 0, tail_start) + 1 + len(last_row)


def newest(data: bytes) -> tuple[float, datetime] | None:
    """Return both times of the last row, or None where there is none."""
    rows = data.rstrip(b"\n").split(b"\n")[1:]
    if not rows:
        return None
    elapsed_s, utc = rows[-1].decode(errors="replace").split(",", 2)[:2]
    return float(elapsed_s), datetime.fromisoformat(utc)
