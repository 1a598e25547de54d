"""production.toml: reading strictly, editing gently."""

from __future__ import annotations

from pathlib import Path

import pytest

from syncvid.errors import MediaError, ProductionError
from syncvid.production.edit import NewTake, PlanEditor, new_plan
from syncvid.production.names import guess_names
from syncvid.production.plan import Plan
from syncvid.production.toml import read_toml

FILES = ["../flute ines 1.mov", "../Ines_flute_take2.mov", '../we"ird\nname ü 東京.mov']


def write_plan(folder: Path, text: str | None = None) -> Path:
    path = folder / "production.toml"
    takes = [NewTake(f, g) for f, g in zip(FILES, guess_names(FILES), strict=True)]
    path.write_text(text or new_plan("Orchard Round", takes, mix="../mix.flac"), encoding="utf-8")
    return path


def test_a_new_plan_reads_back_as_it_was_meant(tmp_path: Path) -> None:
    plan, _ = read_toml(write_plan(tmp_path), Plan)
    assert plan.title == "Orchard Round"
    first = plan.parts[0]
    assert (first.name, first.player, len(first.takes)) == ("Flute", "Ines", 2)
    assert sorted(t.file for p in plan.parts for t in p.takes) == sorted(FILES)


def test_a_wrong_key_is_told_with_its_line(tmp_path: Path) -> None:
    text = write_plan(tmp_path).read_text() + "\n[[parts]]\nname = 'Oboe'\nplayr = 'Kim'\n"
    line = text.splitlines().index("playr = 'Kim'") + 1
    with pytest.raises(ProductionError, match=rf"line {line}: 'parts' \d 'playr' is not a key"):
        read_toml(write_plan(tmp_path, text), Plan)


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    text = 'titel = "x"\n[picture]\nsize = "big"\nframe_rate = "none"\n'
    with pytest.raises(ProductionError) as caught:
        read_toml(write_plan(tmp_path, text), Plan)
    assert all(f"line {n}" in str(caught.value) for n in (1, 3, 4))


def test_broken_toml_is_told_with_its_line(tmp_path: Path) -> None:
    with pytest.raises(ProductionError, match="line 2"):
        read_toml(write_plan(tmp_path, 'title = "x"\nmix = \n'), Plan)


def test_comments_and_order_survive_an_edit(tmp_path: Path) -> None:
    path = write_plan(tmp_path)
    text = path.read_text().replace('player = "Ines"', 'player = "Ines"  # lent a flute')
    path.write_text(text + "\n# the end\n")
    editor = PlanEditor(path)
    editor.add([NewTake("../oboe Kim T2.mov", guess_names(["oboe Kim T2.mov"])[0])])
    editor.withdraw("flute ines 1.mov")
    editor.save()
    after = path.read_text()
    assert "# lent a flute" in after
    assert "# the end" in after
    plan, _ = read_toml(path, Plan)
    assert [p.name for p in plan.parts][:2] == ["Flute", "Oboe"]
    assert plan.parts[0].takes[0].withdrawn
    assert FILES[0] not in [file for _, file in plan.files()]


@pytest.mark.parametrize("head", ["", "parts = []\n"])
def test_the_first_clips_can_be_added_to_a_production_without_any(
    tmp_path: Path, head: str
) -> None:
    path = write_plan(tmp_path, head + new_plan("Heath", []))
    editor = PlanEditor(path)
    editor.set_reference("guide", "guide.wav")
    editor.add([NewTake("flute 1.mov", guess_names(["flute 1"])[0])])
    editor.save()
    plan, _ = read_toml(path, Plan)
    assert plan.guide == "guide.wav"
    assert [(part.name, part.takes[0].file) for part in plan.parts] == [("Flute", "flute 1.mov")]


def test_replacing_keeps_the_take_and_brings_it_back(tmp_path: Path) -> None:
    path = write_plan(tmp_path)
    editor = PlanEditor(path)
    editor.withdraw(FILES[0])
    editor.replace(FILES[0], "../better.mov")
    editor.save()
    take = read_toml(path, Plan)[0].parts[0].takes[0]
    assert (take.take, take.file, take.withdrawn) == (1, "../better.mov", False)


def test_a_name_that_is_no_take_is_refused_with_those_that_are(tmp_path: Path) -> None:
    with pytest.raises(ProductionError, match="Ines_flute_take2"):
        PlanEditor(write_plan(tmp_path)).withdraw("nobody.mov")


def test_a_plan_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(MediaError, match="no such file"):
        read_toml(tmp_path / "production.toml", Plan)
