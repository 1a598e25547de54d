"""The statement about a mix: everything told, in 80 columns, with times of the mix file."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.handoff.mix_statement import mix_statement
from syncvid.production.mix_made import (
    MadeMaster,
    MadeMix,
    MadePassage,
    MadeRoom,
    MadeSplice,
    MadeStem,
    Programme,
)

PROGRAMME = Programme(-14.02, -9.81, -11.24, 7.2, -1.04, -1.3)
SILENCE = Programme(None, None, None, None, -math.inf, -math.inf)
MASTER = MadeMaster("share", -14.0, -1.0, 3.2, 1.84, 0.0042, PROGRAMME, -14.0, -1.1)
FLUTE = MadeStem(
    "Flute (Anna)",
    (
        MadePassage(2, "clips/flute 2.mov", -0.9, 47.27, -6.4, 12.0),
        MadePassage(1, "clips/flute 1.mov", 47.23, 221.6, -3.0, 11.0, 1.24),
    ),
    (MadeSplice(47.25, 47.0, 0.04, "equal power", "rest", "bar 17", 0.6),),
    (("low cut", "What lies below 190 Hz was taken out."), ("hum", "None was found.")),
    loudness_lufs=-22.3,
    starting_db=3.1,
    pan=-0.2,
    shift_ms=12.0,
    tone_db=((125.0, -1.5), (1000.0, 0.2), (4000.0, 2.0)),
    file="stems/Flute (Anna).wav",
)
OBOE = MadeStem("Oboe (Ben)", (MadePassage(1, "oboe.mp4", -1, 221, 2, 3),), (), (), -18.0, -0.6)
MIX = MadeMix(
    title="Abendlied",
    reference="guide",
    from_s=-1.0,
    to_s=221.6,
    music_from_s=0.0,
    music_to_s=219.6,
    head_s=1.0,
    tail_s=2.0,
    sample_rate=48_000,
    stems=(FLUTE, OBOE),
    room=MadeRoom("a little", "small hall", 1.2, 20.0, 150.0, 18.0),
    master=MASTER,
    files=("Abendlied.wav", "Abendlied.flac"),
    remarks=("Oboe (Ben) is raised by 13.2 dB more than the others: its noise will be heard.",),
)


def flat(text: str) -> str:
    return " ".join(text.split())


def with_splice(**changes: Any) -> MadeMix:
    splice = replace(FLUTE.splices[0], **changes)
    return replace(MIX, stems=(replace(FLUTE, splices=(splice,)), OBOE))


def with_stem(**changes: Any) -> MadeMix:
    return replace(MIX, stems=(replace(FLUTE, **changes), OBOE))


def with_master(**changes: Any) -> MadeMix:
    return replace(MIX, master=replace(MASTER, **changes))


def rows(made: MadeMix, name: str) -> list[str]:
    """Return what stands beside a name on the page, row by row on one line."""
    told: list[str] = []
    open_row = False
    for line in mix_statement(made).splitlines():
        if line.startswith(f"  {name:<20}"):
            told.append(line[22:])
            open_row = True
        elif open_row and line.startswith(" " * 22):
            told[-1] += f" {line.strip()}"
        else:
            open_row = False
    return told


def test_the_page_fits_80_columns_and_ends_in_one_newline() -> None:
    text = mix_statement(MIX)
    assert max(map(len, text.splitlines())) <= 80
    assert text.isascii()
    assert text.endswith(".\n")
    assert "\n\n\n" not in text
    assert not any(line != line.rstrip() for line in text.splitlines())


def test_times_are_those_of_the_mix_file() -> None:
    # The file begins at -1.0 s: reference 47.25 s is 48.25 s into it.
    text = mix_statement(MIX)
    assert "Times count from the beginning of the mix file." in text
    assert rows(MIX, "at 0:48.2")
    assert rows(MIX, "0:00.1 to 0:48.3") == ["take 2, clips/flute 2.mov"]
    assert rows(MIX, "0:48.2 to 3:42.6") == ["take 1, clips/flute 1.mov, +1.2 dB"]
    assert rows(MIX, "length") == ["3:42.6, music from 0:01.0 to 3:40.6"]
    assert rows(MIX, "begins") == ["1.000 s before the guide"]


def test_passages_end_with_the_file() -> None:
    long = replace(MIX, stems=(replace(OBOE, passages=(MadePassage(1, "a", -9, 999, 0, 0),)),))
    assert rows(long, "0:00.0 to 3:42.6") == ["take 1, a"]


def test_passages_and_joints_follow_each_other() -> None:
    pieces = [MadePassage(n, f"{n}.mov", 50.0 * n - 0.02, 50.0 * n + 50.02, 0, 0) for n in range(4)]
    splices = [MadeSplice(50.0 * n, 50.0 * n, 0.04, "linear", "quiet") for n in (1, 2, 3)]
    text = mix_statement(with_stem(passages=tuple(pieces), splices=tuple(splices), cleaning=()))
    part = text.split("\nFlute (Anna)\n")[1].split("\n\n")[0]
    lines = [line for line in part.splitlines() if line[2] != " "]
    kinds = ["at" if line.startswith("  at") else "take" for line in lines[:7]]
    assert kinds == "take at take at take at take".split()


def test_how_loud_it_is_stands_there_with_both_meters() -> None:
    assert rows(MIX, "loudness") == ["-14.0 LUFS; a second meter reads -14.0"]
    assert rows(MIX, "true peak") == ["-1.0 dBTP; a second meter reads -1.1"]
    assert rows(MIX, "loudness range") == ["7.2 LU"]
    assert rows(MIX, "loudest 3 s") == ["-11.2 LUFS"]
    assert rows(MIX, "loudest 0.4 s") == ["-9.8 LUFS"]
    assert rows(MIX, "asked for") == ["share: -14.0 LUFS, at most -1.0 dBTP"]
    assert rows(MIX, "samples") == ["24 bits, 48 kHz"]


@pytest.mark.parametrize(("second", "differ"), [(-13.83, False), (-14.3, True), (-13.7, True)])
def test_meters_that_differ_are_told(second: float, differ: bool) -> None:
    # EBU Tech 3341 allows each meter 0.1 LU.
    (told,) = rows(with_master(second_lufs=second), "loudness")
    assert told.endswith("they differ") is differ


def test_a_peak_above_the_ceiling_is_told() -> None:
    (told,) = rows(with_master(programme=replace(PROGRAMME, true_peak_dbtp=-0.7)), "true peak")
    assert told.endswith("this is above what was asked for")


def test_without_limiting() -> None:
    dry = with_master(target_lufs=None, limited_db=0.0, limited_share=0.0, gain_db=-0.01)
    assert rows(dry, "asked for") == ["share: as loud as goes without limiting, at most -1.0 dBTP"]
    told = flat(mix_statement(dry))
    assert "The whole was kept as loud as it was. Nothing was limited." in told


def test_what_the_master_did() -> None:
    told = flat(mix_statement(MIX))
    assert "made 3.2 dB louder" in told
    assert "limited: by 1.8 dB at most, and 0.4 % of the time by more than 0.1 dB." in told
    assert "less than 0.1 % of the time" in flat(mix_statement(with_master(limited_share=1e-6)))
    assert "made 2.0 dB softer" in flat(mix_statement(with_master(gain_db=-2.0)))


def test_a_silent_mix() -> None:
    silent = with_master(programme=SILENCE, second_lufs=None, second_dbtp=-math.inf)
    assert rows(silent, "loudness") == ["none: it is silent"]
    assert rows(silent, "true peak") == ["none"]
    assert rows(silent, "loudest 3 s") == []


@pytest.mark.parametrize(
    ("hidden_in", "told"),
    [
        ("rest", "bar 17: joined in a rest; cross-fade over 40 ms, equal power; 0.25 s after its"),
        ("attack", "joined just before an attack"),
        ("quiet", "joined at the quietest moment near"),
        ("held", "joined within a held note"),
    ],
)
def test_every_joint_says_where_it_is_hidden(hidden_in: str, told: str) -> None:
    made = with_splice(hidden_in=hidden_in)
    (row,) = rows(made, "at 0:48.2")
    assert told in row
    assert row.endswith("please listen") is (hidden_in == "held")
    assert ("A joint within a held note may be heard" in flat(mix_statement(made))) is (
        hidden_in == "held"
    )


def test_a_joint_that_may_click_is_told() -> None:
    (row,) = rows(with_splice(step_ratio=1.2), "at 0:48.2")
    assert row.endswith("it may click: please listen")
    assert "click" not in mix_statement(with_splice(step_ratio=1.0))


def test_a_place_that_is_only_a_time_is_not_said_twice() -> None:
    (row,) = rows(with_splice(place="0:47.3", marked_s=47.25), "at 0:48.2")
    assert row == "joined in a rest; cross-fade over 40 ms, equal power"


def test_joints_are_counted() -> None:
    none = flat(mix_statement(replace(MIX, stems=(OBOE,))))
    assert "No part is joined from pieces." in none
    one = flat(mix_statement(MIX))
    assert "One part is joined from pieces, at one place, in a rest." in one
    splice = FLUTE.splices[0]
    same = flat(mix_statement(with_stem(splices=(splice, splice))))
    assert "at two places, all in rests." in same
    held = replace(splice, hidden_in="held")
    both = flat(mix_statement(with_stem(splices=(splice, splice, held))))
    assert "at three places: two in rests and one within a held note." in both


def test_what_was_done_to_a_part_stands_with_it() -> None:
    assert rows(MIX, "cleaned") == [
        "low cut: What lies below 190 Hz was taken out.",
        "hum: None was found.",
    ]
    assert rows(MIX, "tone") == ["-1.5 dB at 125 Hz and +2.0 dB at 4 kHz"]
    assert rows(MIX, "moved") == ["12 ms later"]
    assert rows(with_stem(shift_ms=-3.5), "moved") == ["3.5 ms earlier"]
    assert rows(with_stem(tone_db=((125.0, 0.3),)), "tone") == ["changed by less than 0.5 dB"]
    assert rows(MIX, "file")[-1] == "stems/Flute (Anna).wav"


def test_the_balance_is_a_table_in_score_order() -> None:
    table = mix_statement(MIX).split("\nBalance\n")[1].split("\n\n")[0].splitlines()
    assert [line.split() for line in table] == [
        "recorded gain place".split(),
        "LUFS dB".split(),
        "Flute (Anna) -22.3 +3.1 20 % left".split(),
        "Oboe (Ben) -18.0 -0.6 middle".split(),
    ]
    points = {line.rindex(".") for line in table[2:]}
    assert len(points) == 1, "the points stand below each other"


def test_columns_appear_when_there_is_something_in_them() -> None:
    table = mix_statement(with_stem(wish_db=1.5, room_db=-2.0)).split("\nBalance\n")[1]
    assert table.split("\n")[0].split() == "recorded gain wish room place".split()
    assert "+3.1  +1.5  -2.0  20 % left" in table
    dry = mix_statement(replace(with_stem(room_db=-2.0), room=None)).split("\nBalance\n")[1]
    assert "room" not in dry.split("\n")[0]


def test_a_muted_part_is_left_out_by_name() -> None:
    text = mix_statement(with_stem(muted=True, loudness_lufs=None))
    line = next(line for line in text.splitlines() if line.startswith("  Flute (Anna)"))
    assert line.split() == "Flute (Anna) silent left out".split()
    assert rows(with_stem(muted=True), "left out") == ["muted in this mix"]


def test_names_of_any_length_and_script_keep_the_columns() -> None:
    long = "A part with a name that is very long, " * 3 + "(Anna)"
    wide, marked, plain = "笛 (安娜)", "Flo\u0308te (Ann)", "Flute (Anna)"
    stems = tuple(replace(OBOE, name=name) for name in (long, wide, marked, plain))
    text = mix_statement(replace(MIX, stems=stems))
    table = text.split("\nBalance\n")[1].split("\n\n")[0].splitlines()
    assert max(map(len, table)) <= 80
    begin = {
        name: line.index("-18.0")
        for name in (wide, marked, plain)
        for line in table
        if name in line
    }
    # Each of the three wide letters takes two columns, the mark above the o none.
    assert begin[wide] + 3 == begin[marked] - 1 == begin[plain]


def test_no_name_can_break_the_page() -> None:
    nasty = "Flute\n\nAll together\x1b[31m\u202e"
    text = mix_statement(replace(with_stem(name=nasty, file=nasty), title=nasty, remarks=(nasty,)))
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert sum(line == "All together" for line in text.splitlines()) == 1


def test_the_room_and_none() -> None:
    told = flat(mix_statement(MIX))
    assert "One for all parts, a little: small hall. It dies away by 60 dB in 1.20 s" in told
    assert "18.0 dB under the dry sound, comes 20 ms after it, and is cut below 150 Hz." in told
    assert "None was added" in mix_statement(replace(MIX, room=None))


def test_remarks_and_cautions_close_the_page() -> None:
    text = mix_statement(MIX)
    assert "- Oboe (Ben) is raised by 13.2 dB more than the others" in flat(text)
    told = flat(text.split("Before you publish")[1])
    for word in ("Rights", "guardians", "arrangement", "pictures", "ask locally", "headphones"):
        assert word in told
    assert "\nRemarks\n" not in mix_statement(replace(MIX, remarks=()))


def test_a_mix_of_nothing() -> None:
    text = mix_statement(replace(MIX, stems=(), title="", files=()))
    assert text.startswith("Untitled: how the mix was made\n  No parts.")
    assert rows(replace(MIX, files=()), "file") == ["stems/Flute (Anna).wav"]


@given(
    st.floats(-1, 1),
    st.floats(-60, 60),
    st.floats(-100, 1000),
    st.text(max_size=60),
    st.none() | st.floats(-80, 5),
)
def test_any_figures_and_names_fit(
    pan: float, gain_db: float, at_s: float, name: str, loudness: float | None
) -> None:
    stem = replace(FLUTE, name=name, pan=pan, starting_db=gain_db, loudness_lufs=loudness)
    text = mix_statement(replace(MIX, stems=(stem, OBOE), from_s=at_s))
    assert text.endswith("\n")
    assert "-0.0 " not in text
