"""What production.toml may say of the picture: read strictly, and found with its files."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from syncvid.errors import ProductionError
from syncvid.production.captions import Caption, Section
from syncvid.production.material import open_production, refuse_sources
from syncvid.production.moments import Moment
from syncvid.production.plan import Picture, Plan
from syncvid.production.toml import check_toml

WHOLE = """
[picture]
background = "hall.png"
gap = 0.01
margin = 0.02
corners = 0.08
names = false
match = 0.5
equal_heads = 1
title_s = 4
subtitle = "for five"
credits = ["Music: Anon.", "Filmed at home"]
credits_s = 5

[[captions]]
from = "bar 9"
to = "1:05.5"
text = "Kyrie"
show = true

[[sections]]
name = "Trio"
from = "bar 17 beat 3"

[[parts]]
name = "Flute"
player = "Ines"
group = "Winds"
still = "ines.jpg"
[[parts.takes]]
file = "flute.mov"
focus = [0.4, 0.3]
zoom = 1.5

[[parts]]
name = "Cello"
[[parts.takes]]
file = "cello.mov"
"""


def production(folder: Path, text: str = WHOLE) -> Path:
    (folder / "production.toml").write_text(text, "utf-8")
    for name in ("hall.png", "ines.jpg", "flute.mov", "cello.mov"):
        (folder / name).write_bytes(name.encode())
    return folder


def test_everything_that_may_be_said_arrives(tmp_path: Path) -> None:
    material = open_production(production(tmp_path))
    picture = material.picture
    assert (picture.gap, picture.margin, picture.corners) == (0.01, 0.02, 0.08)
    assert (picture.names, picture.match, picture.equal_heads) == (False, 0.5, 1.0)
    assert (picture.title_s, picture.subtitle, picture.credits_s) == (4.0, "for five", 5.0)
    assert picture.credits == ["Music: Anon.", "Filmed at home"]
    assert material.background is not None
    assert material.background.path == tmp_path / "hall.png"
    assert material.captions == (Caption(Moment(None, 9), Moment(65.5), "Kyrie", True),)
    assert material.sections == (Section("Trio", Moment(None, 17, 3.0)),)
    assert material.groups == {("Flute", "Ines"): "Winds"}
    assert {key: still.path.name for key, still in material.stills.items()} == {
        ("Flute", "Ines"): "ines.jpg"
    }
    assert [(r.focus, r.zoom) for r in material.recordings] == [((0.4, 0.3), 1.5), (None, None)]


def test_nothing_need_be_said() -> None:
    picture = Picture()
    assert picture.background_image == ""
    assert (picture.title_s, picture.credits) == (0.0, [])
    assert {picture.gap, picture.margin, picture.corners, picture.names} == {None}


def test_a_colour_is_no_file(tmp_path: Path) -> None:
    text = WHOLE.replace('"hall.png"', '"#102030"')
    assert open_production(production(tmp_path, text)).background is None


@pytest.mark.parametrize("name", ["hall.png", "ines.jpg"])
def test_images_that_are_gone_are_named(tmp_path: Path, name: str) -> None:
    (production(tmp_path) / name).unlink()
    with pytest.raises(ProductionError, match=rf"is gone: .*'{name}'"):
        open_production(tmp_path)


@pytest.mark.parametrize("name", ["hall.png", "ines.jpg"])
def test_images_are_not_written_over(tmp_path: Path, name: str) -> None:
    material = open_production(production(tmp_path))
    with pytest.raises(ProductionError, match="overwrite"):
        refuse_sources(material, tmp_path / name)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("gap = 0.01", "gap = 2", "'picture' 'gap' is wrong: input should be less than or equal"),
        ("names = false", 'names = "no"', "'picture' 'names' is neither true nor false"),
        ('"hall.png"', '"#12345"', "'#12345' is no colour like '#a3261d'"),
        ("corners = 0.08", "corners = 0.6", "'corners' is wrong"),
        ("title_s = 4", "title_s = 400", "'title_s' is wrong"),
        ("zoom = 1.5", "zoom = 0.5", "'parts' 1 'takes' 1 'zoom' is wrong"),
        ("zoom = 1.5", "zoom = 5", "'parts' 1 'takes' 1 'zoom' is wrong"),
        ('from = "bar 9"', 'from = "verse 2"', "'captions' 1 'from' is wrong: 'verse 2' is no"),
        ('to = "1:05.5"\n', "", "'captions' 1 'to' is missing"),
        ('name = "Trio"\n', "", "'sections' 1 'name' is missing"),
        ('credits = ["Music: Anon.", "Filmed at home"]', 'credits = "me"', "'credits' is no list"),
    ],
)
def test_mistakes_are_told_with_their_line(old: str, new: str, message: str) -> None:
    text = WHOLE.replace(old, new, 1)
    with pytest.raises(ProductionError, match=re.escape(message)) as caught:
        check_toml(text, Plan, where="production.toml")
    assert re.match(r"line \d+: ", str(caught.value))
