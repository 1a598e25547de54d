"""The package as users get it: a wheel in an environment of its own, used from an empty folder."""

from __future__ import annotations

import subprocess
import sys
import venv
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parent.parent.parent


@pytest.fixture(scope="module")
def python(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel and install it; the libraries come from this environment."""
    folder = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check"]
    subprocess.run([*pip, "wheel", "--no-deps", "-w", str(folder), str(ROOT)], check=True)
    wheel = next(folder.glob("syncvid-*.whl"))
    assert wheel.stat().st_size < 25_000_000
    venv.create(folder / "env", with_pip=False)
    inside = folder / "env" / ("Scripts" if sys.platform == "win32" else "bin") / "python"
    site = subprocess.run(
        [inside, "-c", "import site; print(site.getsitepackages()[0])"],
        capture_output=True, text=True, check=True,
    ).stdout.strip()  # fmt: skip
    subprocess.run([*pip, "install", "--no-deps", "--target", site, str(wheel)], check=True)
    libraries = next(p for p in sys.path if p.endswith("site-packages"))
    # Appended, so that the wheel's own package wins over an editable install.
    (Path(site) / "libraries.pth").write_text(f"import sys; sys.path.append({libraries!r})\n")
    return inside


def run(python: Path, folder: Path, code: str) -> str:
    done = subprocess.run(
        [python, "-c", code], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_layouts_fonts_and_demo_are_in_the_wheel(python: Path, tmp_path: Path) -> None:
    code = (
        "import syncvid; from pathlib import Path\n"
        "from syncvid.production.layouts import layout_names\n"
        "from syncvid.steps.demo import demo_media\n"
        "here = Path(syncvid.__file__).parent\n"
        "print(here, layout_names(), demo_media(), len(list((here / 'fonts').glob('*.ttf'))))"
    )
    shown = run(python, tmp_path, code)
    assert "'grid'" in shown
    assert str(ROOT) not in shown
    assert "demo_media 2" in shown


def test_help_runs_from_an_empty_folder(python: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [python, "-m", "syncvid", "--help"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert "demo" in done.stdout
