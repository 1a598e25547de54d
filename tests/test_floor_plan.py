"""The floor plan: which room may import which.  An arrow only ever points to a lower level."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "syncvid"

GROUND = {"errors", "timeline", "arrays", "progress", "sources"}
TYPES = {"production"}
LAZY = {"lazily"}

# Room: (what of ours it may import, what of others it may import besides the standard library).
PLAN: dict[str, tuple[set[str], set[str]]] = {
    "errors": (set(), set()),
    "timeline": ({"errors"}, set()),
    "arrays": ({"errors"}, {"numpy"}),
    "progress": ({"errors"}, set()),
    "sources": ({"arrays"}, set()),
    "lazily": (set(), {"scipy"}),
    "production": (GROUND, {"pydantic", "tomlkit", "filelock", "platformdirs", "numpy"}),
    "media": (GROUND, {"av", "numpy", "soundfile", "imageio_ffmpeg", "moviepy", "PIL"}),
    "signals": (GROUND | LAZY, {"numpy", "scipy"}),
    "guide": (
        GROUND | {"signals"} | TYPES | LAZY,
        {"numpy", "scipy", "mido", "lxml"},
    ),
    "sync": (GROUND | {"signals"} | TYPES | LAZY, {"numpy", "scipy"}),
    "listen": (GROUND | {"signals"} | TYPES | LAZY, {"numpy", "scipy"}),
    "mix": (GROUND | {"signals"} | TYPES | LAZY, {"numpy", "scipy"}),
    "picture": (GROUND | {"signals"} | TYPES, {"numpy", "PIL", "fontTools", "cv2", "matplotlib"}),
    "handoff": (GROUND | TYPES, {"numpy", "matplotlib", "reportlab"}),
    "segments": (GROUND | {"production", "media", "picture"}, {"numpy"}),
    "steps": (
        GROUND
        | {"production", "media", "signals", "guide", "sync", "listen", "mix", "picture"}
        | {"handoff", "segments"},
        {"numpy", "threadpoolctl"},
    ),
    "cli": (GROUND | {"production", "steps", "__init__"}, {"typer", "rich"}),
    "web": (GROUND | {"production", "steps"}, {"starlette", "uvicorn"}),
    "__init__": (GROUND | {"production", "steps"}, set()),
    "__main__": ({"cli"}, set()),
}

HEAVY = ("av", "moviepy", "matplotlib", "starlette", "scipy", "PIL", "numpy", "pydantic", "cv2")
HEAVY += ("partitura", "mido", "lxml", "reportlab")


def rooms() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imports_of(path: Path) -> list[str]:
    found: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            if node.module == "syncvid":
                found += [f"syncvid.{alias.name}" for alias in node.names]
            else:
                found.append(node.module)
        elif isinstance(node, ast.ImportFrom):
            found.append(f"relative import of {node.module}")
    return found


@pytest.mark.parametrize("path", rooms(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_every_file_imports_only_what_its_room_may(path: Path) -> None:
    room = room_of(path)
    assert room in PLAN, f"{room} is not on the floor plan"
    ours, others = PLAN[room]
    for name in imports_of(path):
        top, _, rest = name.partition(".")
        if top == "syncvid":
            target = rest.partition(".")[0] or "__init__"
            if target.startswith("__version__"):
                target = "__init__"
            assert target == room or target in ours, f"{room} may not import {name}"
        else:
            assert top in others or top in sys.stdlib_module_names, f"{room} may not import {name}"


def test_every_room_of_the_plan_exists() -> None:
    assert {room_of(path) for path in rooms()} == set(PLAN)


def test_an_import_of_the_package_loads_nothing_heavy() -> None:
    code = f"import sys, syncvid; print([m for m in {HEAVY!r} if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


def test_the_command_line_loads_no_codec_before_a_command_runs() -> None:
    code = f"import sys, syncvid.cli; print([m for m in {HEAVY[:6]!r} if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


def test_public_names_are_sorted_and_there() -> None:
    import syncvid

    assert list(syncvid.__all__) == sorted(syncvid.__all__)
    for name in syncvid.__all__:
        assert getattr(syncvid, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = syncvid.nonsense
