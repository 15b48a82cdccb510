"""``evenfall watch``: the live page of a run or a lab folder. It reads, and touches nothing."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console


def watch_command(path: Path, host: str, port: int) -> int:
    """Serve the page until somebody stops it.

    Raises
    ------
    LabFolderError
        Neither a run folder nor a sound lab folder.
    OSError
        The port cannot be opened.
    """
    from rig.live.serve import serve
    from rig.live.shelf import Shelf

    console = Console(highlight=False, soft_wrap=True)

    def tell(text: str) -> None:
        console.print(text, markup=False)

    shelf = Shelf.of(path)
    try:
        serve(shelf, host, port, tell)
    except KeyboardInterrupt:
        tell("No longer shown. The run itself is not touched.")
    return 0
