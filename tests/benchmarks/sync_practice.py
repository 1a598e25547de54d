"""Score the alignment over cases with known truth, and print the table.

Run with ``python tests/benchmarks/sync_practice.py FOLDER [--classes A,B]``.  The folder holds
cases and a ``score.py`` that runs a command over them; the command is ``syncvid sync`` of this
Python.
"""

from __future__ import annotations

import argparse
import shlex
import subprocess
import sys
from pathlib import Path


def main() -> int:
    """Run the scoring script of a practice folder; return its exit status."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="cases and score.py")
    parser.add_argument("--classes", default="", help="for instance A,B")
    parser.add_argument("--json", type=Path, help="where to write all figures")
    options = parser.parse_args()
    tool = f"{shlex.quote(sys.executable)} -m syncvid sync"
    command = [
        sys.executable,
        str(options.folder / "score.py"),
        "--cases",
        str(options.folder),
        "--cmd",
        f"{tool} {{clips}} --mix {{mix}} --guide {{guide}} --json {{out}}",
        "--wrong",
    ]
    command += ["--classes", options.classes] if options.classes else []
    command += ["--json", str(options.json)] if options.json else []
    return subprocess.run(command, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
