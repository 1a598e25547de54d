"""Words by a speech engine of the system: a stand-in on the path, and none."""

from __future__ import annotations

import stat
import sys
from pathlib import Path

import numpy as np
import pytest

from syncvid.errors import MediaError
from syncvid.steps import speech
from syncvid.steps.speech import EngineSpeaker, find_speaker

# Reads its text from standard input, and hums for 50 ms a letter between two halves of silence.
ENGINE = f"""#!{sys.executable}
import math, struct, sys, wave
assert sys.argv[1:4:2] == ["-v", "-w"] and sys.argv[5] == "--stdin"
text = sys.stdin.read()
if text == "nonsense":
    sys.exit("no such word")
if text == "endless":
    import time
    time.sleep(60)
hum = [math.sin(i * 0.1) for i in range(round(22050 * 0.05 * len(text)))]
values = [0.0] * 11025 + hum + [0.0] * 11025
with wave.open(sys.argv[4], "wb") as file:
    file.setparams((1, 2, 22050, 0, "NONE", ""))
    file.writeframes(b"".join(struct.pack("<h", round(9000 * v)) for v in values))
"""


def install(folder: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> Path:
    program = folder / name
    program.write_text(ENGINE, encoding="utf-8")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", str(folder))
    return program


def test_nothing_is_said_where_no_engine_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert find_speaker() is None
    assert "espeak-ng" in speech.NO_ENGINE


@pytest.mark.parametrize("text", ["12", "Coda", "-v evil; --help"])
def test_a_word_comes_without_silence_around_it(
    text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = install(tmp_path, "espeak", monkeypatch)
    speaker = find_speaker("de")
    assert speaker == EngineSpeaker(str(program), "de")
    word = speaker.say(text, 48_000)
    assert word.dtype == np.float32
    assert word.size / 48_000 == pytest.approx(0.05 * len(text), abs=0.005)
    assert np.abs(word).max() == pytest.approx(9000 / 32768, rel=0.1)


def test_an_engine_that_fails_or_hangs_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    install(tmp_path, "espeak-ng", monkeypatch)
    speaker = find_speaker()
    assert speaker is not None
    with pytest.raises(MediaError, match=r"'nonsense': no such word.*spoken"):
        speaker.say("nonsense", 48_000)
    monkeypatch.setattr(speech, "_MOST_S", 0.5)
    with pytest.raises(MediaError, match="timed out"):
        speaker.say("endless", 48_000)
    gone = EngineSpeaker(str(tmp_path / "gone"))
    with pytest.raises(MediaError, match="No such file"):
        gone.say("12", 48_000)
