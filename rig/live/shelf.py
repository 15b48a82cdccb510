"""The run folders that may be shown, and the only way to them.

A run is named by the name of its folder and nothing else. A name is looked up, never joined to a
path as it comes; links are not followed, so nothing outside is reached.
"""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from attrs import define, field

from analysis import lab_folder, run_folder
from analysis.digits import EFFICACY_UNIT, significant
from analysis.lab_records import LabFolderError
from analysis.report.pages import paths
from rig.live.story import MOST_DESCRIPTOR_BYTES, MOST_PLAN_BYTES
from rig.live.tail import NotThere, whole

#: A page of the history. Only these many runs are opened for it.
PAGE: Final = 20
#: A run that goes on is looked for among so many of the newest.
NEWEST: Final = 20
#: Names of the pages made of a run: report, lab's file, public.
REPORTS: Final = tuple(page.name for page in paths(Path(run_folder.REPORT)))
MOST_REPORT_BYTES: Final = 64 * 1024 * 1024
_MOST_SUMMARY_BYTES: Final = 32 * 1024 * 1024
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,199}")
#: A run counts as going on while its files were written within this time. [s]
FRESH_S: Final = 120.0

Line = dict[str, Any]


@define
class Shelf:
    """One run folder, or all of a lab folder.

    Attributes
    ----------
    title : str
    folder : Path
        What the runs lie in.
    only : str
        The one run that may be shown; empty for all of a lab.
    """

    title: str
    folder: Path
    only: str = ""
    _known: dict[str, tuple[tuple[float, ...], Line]] = field(factory=dict)

    @classmethod
    def of(cls, path: Path) -> Shelf:
        """Make the shelf of a lab folder or of one run folder.

        Raises
        ------
        LabFolderError
            It is neither, or the lab folder is not sound.
        """
        path = Path(path).resolve()
        if (path / lab_folder.LAB).is_file():
            return cls(lab_folder.check(path), path / lab_folder.RUNS)
        if (path / run_folder.DESCRIPTOR).is_file():
            return cls(path.name, path.parent, path.name)
        raise LabFolderError(
            f"{path}: neither a lab folder ({lab_folder.LAB}) nor a run folder "
            f"({run_folder.DESCRIPTOR}). Give one made by 'evenfall run' or 'evenfall enter'."
        )

    @property
    def is_lab(self) -> bool:
        """Whether there is a history to show."""
        return not self.only

    def run(self, name: str) -> Path:
        """Return the folder of a run.

        Raises
        ------
        NotThere
            There is no such run to be shown.
        """
        # The folder of a run given by its path may have any name; it is compared, not joined.
        is_name = name == self.only if self.only else bool(_NAME.fullmatch(name))
        path = self.folder / name if is_name else None
        if path is None or path.is_symlink() or not path.is_dir():
            raise NotThere("no such run")
        return path

    def report(self, name: str, page: str = run_folder.REPORT) -> bytes:
        """Return a report of a run.

        Parameters
        ----------
        name : str
        page : str
            One of `REPORTS`.

        Raises
        ------
        NotThere
            There is no such run, or it has no such page.
        """
        if page not in REPORTS:
            raise NotThere("no such page")
        return whole(self.run(name) / page, MOST_REPORT_BYTES)

    def names(self) -> list[str]:
        """Return the names of all runs, the newest first; no run is opened."""
        if self.only:
            return [self.only]
        try:
            with os.scandir(self.folder) as entries:
                found = [
                    entry.name
                    for entry in entries
                    if _NAME.fullmatch(entry.name) and entry.is_dir(follow_symlinks=False)
                ]
        except OSError:
            return []
        return sorted(found, reverse=True)

    def current(self, now_utc_s: float) -> str:
        """Return the run to be shown first: one that goes on, else the newest; empty for none.

        Parameters
        ----------
        now_utc_s : float
            Seconds since 1970. [s]
        """
        newest = [name for name in self.names()[:NEWEST] if self._is_run(name)]
        open_ones = [
            (written_s, name)
            for name in newest
            if now_utc_s - (written_s := self._written_s(name)) <= FRESH_S
            and self._line(name)["state"] == "not closed"
        ]
        return max(open_ones)[1] if open_ones else next(iter(newest), "")

    def page(self, before: str = "") -> tuple[list[Line], bool]:
        """Return a page of the history, and whether there are older runs.

        Parameters
        ----------
        before : str
            Name of the last run of the page before; empty for the newest runs.
        """
        names = [name for name in self.names() if not before or name < before]
        return [self._line(name) for name in names[:PAGE]], len(names) > PAGE

    def _is_run(self, name: str) -> bool:
        return (self.folder / name / run_folder.DESCRIPTOR).is_file()

    def _written_s(self, name: str) -> float:
        try:
            return (self.folder / name / run_folder.READINGS).lstat().st_mtime
        except OSError:
            return 0.0

    def _line(self, name: str) -> Line:
        """Describe one run by plan, descriptor and summary, kept while they stay the same."""
        files = (run_folder.PLAN, run_folder.DESCRIPTOR, run_folder.SUMMARY, *REPORTS)
        state = tuple(_changed_s(self.folder / name / file) for file in files)
        known = self._known.get(name)
        if known is None or known[0] != state:
            if len(self._known) > 50 * PAGE:
                self._known.clear()
            known = self._known[name] = (state, self._describe(name))
        return known[1]

    def _describe(self, name: str) -> Line:
        line: Line = {"run": name, "device": "", "test": "", "begun": "", "state": "", "maps": []}
        folder = self.folder / name
        try:
            plan = tomllib.loads(whole(folder / run_folder.PLAN, MOST_PLAN_BYTES).decode("utf-8"))
            descriptor = json.loads(whole(folder / run_folder.DESCRIPTOR, MOST_DESCRIPTOR_BYTES))
            line |= {
                "device": str(plan["device"]["name"]),
                "test": str(plan["test"]["name"]),
                "begun": str(descriptor["created"]),
                "state": "closed" if descriptor["evenfall"]["is_closed"] else "not closed",
            }
        except NotThere as error:
            return line | {"state": f"cannot be read: {error}"}
        except (ValueError, KeyError, TypeError) as error:
            return line | {"state": f"cannot be read: {type(error).__name__}"}
        pages = ((page, folder / page) for page in REPORTS)
        line["reports"] = [page for page, path in pages if path.is_file() and not path.is_symlink()]
        try:
            summary = json.loads(whole(folder / run_folder.SUMMARY, _MOST_SUMMARY_BYTES))
            line["maps"] = [_result(one) for one in summary["maps"]]
            if line["state"] == "closed":
                line["state"] = "complete" if summary["is_complete"] else "not complete"
        except (NotThere, ValueError, KeyError, TypeError):
            pass
        return line


def _changed_s(path: Path) -> float:
    try:
        return path.lstat().st_mtime
    except OSError:
        return 0.0


def _result(map_: Mapping[str, Any]) -> str:
    height = map_["mounting_height_mm"]
    where = "" if height is None else f" at {height:g} mm"
    efficacy = map_["plane_efficacy_umol_j"]
    if efficacy is not None:
        return f"{significant(efficacy)} {EFFICACY_UNIT}{where}"
    return f"no plane efficacy{where}"
