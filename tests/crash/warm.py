"""Imported once by the process that runs to be killed are forked from.

It does one run, so that each of them finds everything loaded and the light of its bench computed.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.crash.killed_night import begin

with tempfile.TemporaryDirectory() as _scratch:
    begin(Path(_scratch), lambda size, name: None)
