"""Layout files: found in the right place, read strictly, mistakes told with their line."""

from __future__ import annotations

import pickle
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import get_args

import pytest

from syncvid.errors import ProductionError
from syncvid.production.layout_file import LayoutFile, read_layout
from syncvid.production.layouts import (
    Layout,
    ScenePlan,
    find_layout,
    layout_folders,
    layout_names,
)
from syncvid.production.looks import with_overrides
from syncvid.production.moments import Moment
from syncvid.production.plan import CaptionEntry, Part, Picture, Plan, SectionEntry, Take
from syncvid.production.strict import Strict


def written(folder: Path, text: str, name: str = "mine") -> Path:
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_grid_that_comes_along_says_what_the_code_takes_for_granted() -> None:
    assert find_layout("grid") == Layout("grid")


def test_every_layout_that_comes_along_can_be_read() -> None:
    names = layout_names()
    assert {"grid", "rows", "lead", "facing", "full", "follow"} == set(names)
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
    assert set(layout_names(tmp_path)) == {"mine", *layout_names()}


def test_other_toml_files_beside_the_production_are_no_layouts(tmp_path: Path) -> None:
    written(tmp_path, 'title = "Sanctus"\n', "production")
    assert "production" not in layout_names(tmp_path)


@pytest.mark.parametrize("name", ["nothing", "../grid", "", "a/b"])
def test_a_layout_that_is_not_there_is_told_with_those_that_are(tmp_path: Path, name: str) -> None:
    with pytest.raises(ProductionError, match="Layouts that are there: facing, follow") as caught:
        find_layout(name, tmp_path)
    assert str(layout_folders()[-1]) in str(caught.value)


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ('arrangement = "gird"\n', 1, "'arrangement' is wrong: input should be 'grid', 'rows'"),
        ('# a\n\ncolour = "red"\n', 3, "'colour' is not a key that is known here"),
        ("[canvas]\n# margin = 1\ngap = 0.0\nmargins = 0.1\n", 4, "'canvas' 'margins' is not a"),
        ("[tile]\nhold_s = 1\n\n[tyle]\nx = 1\n", 4, "'tyle' is not a key"),
        ("[canvas]\nmargin = 0.5\n", 2, "should be less than or equal to 0.4"),
        ("[caption]\nshow = 1\n", 2, "is neither true nor false"),
        ('[caption]\nink = "white"\n', 2, "'white' is no colour like '#a3261d'"),
        ("[tile]\nhold_s = true\n", 2, "should be a valid number"),
        ("tile = 3\n", 1, "'tile' is a table"),
        ("[tile]\nleast_width = 2\n", 2, "less than or equal to 1"),
        ('parts = "Flute"\n', 1, "'parts' is no list"),
        ('pair = ["Flute"]\n', 1, "name both"),
        ('side = "above"\n', 1, "'side' is wrong"),
        ("least_lead_s = 0.2\n", 1, "greater than or equal to 1"),
        ('[[scenes]]\narrangement = "full"\n', 1, "'scenes' 1 'from' is missing"),
        ('[[scenes]]\nfrom = 1\n[[scenes]]\nfrom = "bar 9.5"\n', 4, "'bar 9.5' is no moment"),
        ("[[scenes]]\nfrom = 01:05:30\n", 2, "01:05:30 is no moment. Write seconds"),
        ("[[scenes]]\nfrom = 1\nbegins = 2\n", 3, "'begins' is not a key"),
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


SCENES = """
arrangement = "rows"
parts = ["Winds"]
side = "left"
dissolve_s = 1

[[scenes]]
from = "bar 9 beat 3"
arrangement = "lead"
lead = "Flute"
parts = []

[[scenes]]
from = "1:05.5"
dissolve_s = 0
caption = "All"
names = false
"""


def test_a_scene_takes_over_from_the_top_what_it_does_not_say(tmp_path: Path) -> None:
    layout = read_layout(written(tmp_path, SCENES))
    assert layout.opening == ScenePlan(None, "rows", ("Winds",), side="left", dissolve_s=1.0)
    assert layout.scenes == (
        ScenePlan(Moment(None, 9, 3.0), "lead", (), "Flute", side="left", dissolve_s=1.0),
        ScenePlan(
            Moment(65.5), "rows", ("Winds",), "", (), "left", 0.0, caption="All", names=False
        ),
    )


def test_a_layout_crosses_to_other_processes(tmp_path: Path) -> None:
    layout = read_layout(written(tmp_path, SCENES))
    assert pickle.loads(pickle.dumps(layout)) == layout
    assert hash(layout) == hash(read_layout(tmp_path / "mine.toml"))


def test_the_processes_that_render_need_no_pydantic() -> None:
    code = (
        "import sys, syncvid.picture, syncvid.picture.scenes, syncvid.segments.worker;"
        "print([m for m in ('pydantic', 'tomlkit') if m in sys.modules])"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


def test_the_production_has_the_last_word_on_looks() -> None:
    layout = Layout("grid")
    assert with_overrides(layout, Picture()) == layout
    said = Picture(
        background="#102030",
        gap=0.0,
        margin=0.1,
        corners=0.2,
        names=False,
        match=0.5,
        equal_heads=0.0,
    )
    looks = with_overrides(layout, said)
    assert (looks.canvas.background, looks.canvas.gap, looks.canvas.margin) == ("#102030", 0.0, 0.1)
    assert (looks.tile.corners, looks.tile.match, looks.tile.equal_heads) == (0.2, 0.5, 0.0)
    assert not looks.caption.show


def test_an_image_lies_over_the_colour() -> None:
    picture = Picture(background="hall.jpg")
    looks = with_overrides(Layout("grid"), picture, Path("/concert/hall.jpg"))
    assert looks.canvas.background == Layout("grid").canvas.background
    assert looks.canvas.image == Path("/concert/hall.jpg")


def test_the_grid_that_comes_along_shows_every_key() -> None:
    shown = Path(layout_folders()[-1] / "grid.toml").read_text("utf-8")
    read = tomllib.loads(shown)
    for name, field in LayoutFile.model_fields.items():
        if name != "scenes":
            assert name in read
        if isinstance(field.annotation, type) and issubclass(field.annotation, Strict):
            assert set(read[name]) == set(field.annotation.model_fields)
    scene = LayoutFile.model_fields["scenes"].annotation
    assert scene is not None
    for name, field in get_args(scene)[0].model_fields.items():
        assert re.search(rf"^(# )?{field.alias or name} =", shown, re.MULTILINE), name


def test_the_readme_names_every_key() -> None:
    readme = (Path(__file__).parent.parent.parent / "README.md").read_text("utf-8")
    blocks = re.findall(r"```.+?```", readme, re.DOTALL)
    quoted = re.findall(r"`[^`]+`", re.sub(r"```.+?```", "", readme, flags=re.DOTALL))
    said = set(re.findall(r"[a-z_]+", " ".join([*blocks, *quoted])))
    tables = [Plan, Picture, Part, Take, CaptionEntry, SectionEntry, LayoutFile]
    tables += [
        field.annotation
        for field in LayoutFile.model_fields.values()
        if isinstance(field.annotation, type) and issubclass(field.annotation, Strict)
    ]
    for table in tables:
        keys = {field.alias or name for name, field in table.model_fields.items()}
        assert keys <= said, keys - said
