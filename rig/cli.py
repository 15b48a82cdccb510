"""The command line: ``evenfall COMMAND``.

Nothing heavy is imported until a command needs it. Exit codes: 0 done, 1 the measurement
failed or was refused, 2 usage or configuration, 130 stopped by the operator.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NoReturn

from rig.cli_commands import declare_commands

DONE, FAILED, USAGE, STOPPED = 0, 1, 2, 130
# Our matrices are small: threads of the linear algebra would wait for each other longer than they
# work, and sum up in another order on another computer. Read once, when numpy is loaded.
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    parser = _parser()
    options = parser.parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        return command(options)
    except KeyboardInterrupt:
        _complain("stopped by the operator")
        return STOPPED
    except BrokenPipeError:
        sys.stderr.close()  # the reader of our output went away; there is nobody to tell
        return FAILED
    except Exception as error:
        return _explain(error)


def _explain(error: Exception) -> int:
    """Turn what a command could not do into one message and its exit code."""
    from analysis.grid import GridError
    from analysis.lab_folder import LabFolderError
    from analysis.run_folder import RunFolderError
    from drivers.errors import DriverError
    from rig.bench_lock import BenchInUse
    from rig.faults import RunStopped
    from rig.pdf import NoPdf
    from rig.recorder import RecorderError
    from rig.toml_faults import ConfigError
    from rig.unattended import Refused

    if isinstance(error, RunStopped):
        _complain(f"run stopped: {error.reason}")
        return error.exit_code
    if isinstance(error, ConfigError | GridError):
        _complain(str(error))
        return USAGE
    refusals = (DriverError, RecorderError, RunFolderError, LabFolderError)
    if isinstance(error, (*refusals, BenchInUse, NoPdf, Refused)):
        _complain(str(error))
        return FAILED
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        _complain(f"{where}{error.strerror or error}")
        return FAILED
    _complain(
        f"a defect in Evenfall, not in your bench: {type(error).__name__}: {error}. What was "
        f"measured is kept. Please report it with {_kept(error)}."
    )
    return FAILED


def _kept(error: Exception) -> str:
    """Write down where a defect showed; return the file, or what stands in for it."""
    import tempfile
    import traceback

    for folder in (Path(), Path(tempfile.gettempdir())):
        kept = folder / "evenfall-defect.txt"
        try:
            kept.write_text("".join(traceback.format_exception(error)), encoding="utf-8")
        except OSError:  # a folder that cannot be written, a full disk
            continue
        return str(kept.resolve())
    at = traceback.extract_tb(error.__traceback__)[-1]
    return f"{Path(at.filename).name}, line {at.lineno}"


def _complain(message: str) -> None:
    print(f"evenfall: {message}", file=sys.stderr, flush=True)


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one line, without a screenful of usage before it."""

    def error(self, message: str) -> NoReturn:
        """Complain and end with the exit code of a usage error."""
        self.exit(USAGE, f"{self.prog}: {message}; see '{self.prog} --help'\n")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="evenfall",
        description="Map the light under a horticultural lamp or reflector, and say how many "
        "photons reach the plane per joule from the wall, how evenly, and how sure that is.",
    )
    commands = parser.add_subparsers(metavar="COMMAND", required=True)

    def add(
        name: str, body: Callable[[argparse.Namespace], int], what: str, example: str
    ) -> argparse.ArgumentParser:
        command = commands.add_parser(
            name,
            help=what,
            description=what[0].upper() + what[1:] + ".",
            epilog=f"example: {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        command.set_defaults(command=body)
        return command

    declare_commands(add)
    return parser


if __name__ == "__main__":
    sys.exit(main())
