"""Run every benchmark in this folder and print one table.

::

    python tests/benchmarks/run_all.py --quick
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(ROOT))

from tests.benchmarks.result import Result, exit_code, table  # noqa: E402


def scripts() -> list[Path]:
    """Return the benchmarks: what ends by handing its `measure` to `run`."""
    return [
        path
        for path in sorted(HERE.glob("*.py"))
        if path != Path(__file__) and "run(measure)" in path.read_text().rsplit("\n\n", 1)[-1]
    ]


def main() -> int:
    """Run them; return 1 if one broke down or lies beyond three times its aim."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="fewer and shorter runs")
    asked = parser.parse_args()
    results: list[Result] = []
    broke_down = []
    for path in scripts():
        command = [sys.executable, "-m", f"tests.benchmarks.{path.stem}", "--json"]
        ran = subprocess.run(
            command + ["--quick"] * asked.quick, cwd=ROOT, stdout=subprocess.PIPE, text=True
        )
        try:
            results += [Result(**found) for found in json.loads(ran.stdout)]
        except (ValueError, TypeError):
            broke_down.append(path.name)
    print(table(results))
    for name in broke_down:
        print(f"{name}: broke down, see above")
    return exit_code(results) or int(bool(broke_down))


if __name__ == "__main__":
    sys.exit(main())
