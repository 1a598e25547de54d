"""Layout files: found in the right place, read strictly, mistakes told with their line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from syncvid.errors import ProductionError
from syncvid.production.layouts import (
    Layout,
    find_layout,
    layout_folders,
    layout_names,
    read_layout,
)


def written(folder: Path, text: str, name: str = "mine") -> Path:
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_grid_that_comes_along_says_what_the_code_takes_for_granted() -> None:
    assert find_layout("grid") == Layout("grid")


def test_every_layout_that_comes_along_can_be_read() -> None:
    names = layout_names()
    assert "grid" in names
    for name in names:
        assert find_layout(name).name == name


def test_a_layout_beside_the_production_wins(tmp_path: Path) -> None:
    written(tmp_path, 'arrangement = "grid"\n[canvas]\nmargin = 0.1\n', "grid")
    assert find_layout("grid", tmp_path).canvas.margin == 0.1
    assert find_layout("grid").canvas.margin == 0.0


def test_what_a_file_leaves_out_stays_as_it_is(tmp_path: Path) -> None:
    written(tmp_path, 'arrangement = "grid"\n[caption]\nshow = false\n')
    found = find_layout("mine", tmp_path)
    assert not found.caption.show
    assert found.caption.ink == Layout("x").caption.ink
    assert layout_names(tmp_path) == ("grid", "mine")


def test_other_toml_files_beside_the_production_are_no_layouts(tmp_path: Path) -> None:
    written(tmp_path, 'title = "Sanctus"\n', "production")
    assert "production" not in layout_names(tmp_path)


@pytest.mark.parametrize("name", ["nothing", "../grid", "", "a/b"])
def test_a_layout_that_is_not_there_is_told_with_those_that_are(tmp_path: Path, name: str) -> None:
    with pytest.raises(ProductionError, match="Layouts that are there: grid") as caught:
        find_layout(name, tmp_path)
    assert str(layout_folders()[-1]) in str(caught.value)


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ('arrangement = "gird"\n', 1, "arrangement is 'gird'"),
        ('# a\n\ncolour = "red"\n', 3, "unknown key 'colour'"),
        ("[canvas]\n# margin = 1\ngap = 0.0\nmargins = 0.1\n", 4, "unknown key 'margins'"),
        ("[tile]\nhold_s = 1\n\n[tyle]\nx = 1\n", 4, "unknown key 'tyle'"),
        ("[canvas]\nmargin = 0.5\n", 2, "not a number between 0 and 0.4"),
        ("[caption]\nshow = 1\n", 2, "not true or false"),
        ('[caption]\nink = "white"\n', 2, "not a colour like"),
        ("[tile]\nhold_s = true\n", 2, "not a number between"),
        ("tile = 3\n", 1, "'tile' is a table"),
    ],
)
def test_mistakes_are_told_with_file_line_and_key(
    tmp_path: Path, text: str, line: int, message: str
) -> None:
    path = written(tmp_path, text)
    with pytest.raises(ProductionError, match=re.escape(message)) as caught:
        read_layout(path)
    assert f"line {line}: " in str(caught.value)
    assert f"({path})" in str(caught.value)


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(ProductionError, match=r"line 2: .*; line 3: "):
        read_layout(written(tmp_path, "[canvas]\nmargin = 7\nborder = 1\n"))


def test_what_is_no_toml_says_so(tmp_path: Path) -> None:
    with pytest.raises(ProductionError, match=r"no valid TOML.*line 2"):
        read_layout(written(tmp_path, "[canvas]\nmargin == 3\n"))
