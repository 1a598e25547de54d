"""Format, lint and types of the whole tree, and what the documents promise."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from syncvid.steps import STEPS

ROOT = Path(__file__).parent.parent


@pytest.mark.slow
@pytest.mark.parametrize(
    "command",
    [
        ["ruff", "format", "--check", "."],
        ["ruff", "check", "."],
        ["mypy"],
    ],
    ids=" ".join,
)
def test_the_tree_is_tidy(command: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_step_stands_in_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for step in STEPS:
        assert f"`syncvid {step.command} " in readme, step.command


def test_the_version_is_the_same_everywhere() -> None:
    import syncvid

    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    stated = re.search(r'^version = "(.+)"$', project, re.MULTILINE)
    assert stated is not None
    assert stated[1] == syncvid.__version__
    assert f"## {syncvid.__version__}" in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


def test_the_top_level_holds_nothing_else() -> None:
    shown = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.splitlines()
    tops = {name.split("/")[0] for name in shown if not name.startswith(".")}
    assert tops <= {
        "pyproject.toml", "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE",
        "syncvid", "tests", "layouts", "demo_media",
    }  # fmt: skip
