"""What production.toml may say of the mix, and how its mistakes are told."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.production.plan import Part, Plan
from syncvid.production.sound_plan import (
    PLAIN_PART,
    STEPS_OF_CLEANING,
    CleaningWish,
    PartSound,
    SoundPlan,
    parse_cleaning,
)
from syncvid.production.toml import check_toml


def read(text: str) -> Plan:
    return check_toml(text, Plan, where="production.toml")


def sound(line: str) -> SoundPlan:
    return read(f"[sound]\n{line}\n").sound


def part(lines: str) -> Part:
    return read(f'[[parts]]\nname = "Oboe"\n{lines}\n').parts[0]


def told(text: str) -> str:
    """Return what is said of a plan that is wrong."""
    with pytest.raises(ProductionError) as caught:
        read(text)
    assert caught.value.fix == "Mend these lines; the README lists all keys."
    return caught.value.what


# [sound]


def test_a_plan_that_says_nothing_is_a_plain_mix() -> None:
    plain = read("").sound
    assert plain == SoundPlan()
    assert (plain.loudness, plain.room, plain.room_amount) == ("share", "small hall", "a little")
    assert (plain.pan, plain.match, plain.melody, plain.clean) == (0.5, 0.5, [], [])
    assert (plain.head_s, plain.tail_s, plain.room_file) == (1.0, 1.5, "")


def test_everything_can_be_said() -> None:
    plan = read(
        '[sound]\nloudness = "broadcast"\nroom = "church"\nroom_amount = "a lot"\n'
        "predelay_ms = 0\nroom_low_cut_hz = 20\npan = 1\nmatch = 0\n"
        'melody = ["Oboe", "Flute (Ines)"]\nclean = ["hum", "High-pass 90 Hz"]\n'
        "head_s = 0.1\ntail_s = 30\n"
    ).sound
    assert plan.clean == [CleaningWish("hum"), CleaningWish("high-pass", 90.0)]
    assert (plan.predelay_ms, plan.room_low_cut_hz, plan.head_s, plan.tail_s) == (0, 20, 0.1, 30)


@pytest.mark.parametrize(
    ("room", "file"),
    [
        ("hall", ""),
        ("rooms/hall.wav", "rooms/hall.wav"),
        ("../St Mary.FLAC", "../St Mary.FLAC"),
        ("a.b/hall", ""),
    ],
)
def test_a_room_with_an_ending_is_a_file(room: str, file: str) -> None:
    plan = read(f'[sound]\nroom = "{room}"\n')
    assert plan.sound.room_file == file
    named = [(what, path) for what, path in plan.files() if "room" in what]
    assert named == ([("`room` under [sound]", file)] if file else [])


@pytest.mark.parametrize(
    ("key", "least", "most"),
    [
        ("predelay_ms", 0.0, 200.0),
        ("room_low_cut_hz", 20.0, 1000.0),
        ("pan", 0.0, 1.0),
        ("match", 0.0, 1.0),
        ("head_s", 0.1, 30.0),
        ("tail_s", 0.1, 30.0),
    ],
)
def test_figures_have_their_range(key: str, least: float, most: float) -> None:
    for value in (least, most):
        assert getattr(sound(f"{key} = {value}"), key) == value
    for value in (least - 0.01, most + 0.01):
        words = told(f"[sound]\n{key} = {value:.2f}\n")
        assert words.startswith(f"line 2: 'sound' '{key}' is wrong: input should be ")
        bound = least if value < least else most
        assert f"than or equal to {bound:g}" in words
    for value in ("nan", "inf", "-inf", '"much"', "true", "[1]"):
        assert f"line 2: 'sound' '{key}'" in told(f"[sound]\n{key} = {value}\n")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('loudness = "loud"', "should be 'share', 'stream', 'broadcast' or 'natural'"),
        ('room_amount = "much"', "should be 'none', 'a touch', 'a little', 'some' or 'a lot'"),
        ('room = ""', "at least 1 character"),
        ('melody = "Oboe"', "is no list: write it in square brackets"),
        ('melody = [""]', "at least 1 character"),
        ('clean = "hum"', "is no list: write it in square brackets"),
        ('clean = ["hum", "dust"]', "'dust' is no step of cleaning. There are clipping, hum,"),
        ("clean = [3]", "3 is no step of cleaning"),
        ("pann = 0.5", "'sound' 'pann' is not a key that is known here (did you mean 'pan'?)"),
        ('rooms = "hall"', "(did you mean 'room'?)"),
    ],
)
def test_mistakes_are_told_with_their_line_and_what_goes(line: str, words: str) -> None:
    shown = told(f'title = "x"\n\n[sound]\n{line}\n')
    assert shown.startswith("line 4: 'sound' ")
    assert words in shown


# Cleaning


@pytest.mark.parametrize("step", STEPS_OF_CLEANING)
def test_every_step_of_cleaning_is_known_by_its_name(step: str) -> None:
    assert parse_cleaning(step) == CleaningWish(step)
    assert parse_cleaning(f" {step.upper()} ") == CleaningWish(step)


@given(st.integers(10, 1000), st.sampled_from(["{}", "{} Hz", "{}hz", " {}  HZ"]))
def test_a_high_pass_may_name_its_frequency(hertz: int, form: str) -> None:
    assert parse_cleaning(f"high-pass {form.format(hertz)}") == CleaningWish("high-pass", hertz)
    assert parse_cleaning("high-pass 82.5 Hz").hz == 82.5


@pytest.mark.parametrize(
    "written",
    [
        *["", "dust", "high-pass 9.9", "high-pass 1000.1 Hz", "high-pass -90 Hz", "high-pass Hz"],
        *["high-pass 90 kHz", "hum 50 Hz", "high-pass90", "automatic", None, 90, True, ["hum"]],
    ],
)
def test_what_is_no_step_of_cleaning_is_told_with_those_there_are(written: object) -> None:
    with pytest.raises(ProductionError, match="is no step of cleaning") as caught:
        parse_cleaning(written)
    assert repr(written) in caught.value.what
    for step in STEPS_OF_CLEANING:
        assert step in caught.value.fix
    assert "from 10 to 1000" in caught.value.fix


# Parts


def test_a_part_of_which_nothing_is_said_sounds_plain() -> None:
    assert part("").sound == PLAIN_PART == PartSound()


def test_all_that_is_said_of_a_part_reaches_its_sound() -> None:
    heard = part(
        "gain_db = -3\npan = -0.25\nshift_ms = 12.5\nmuted = true\nroom_db = 2\nclean = []\n"
        'passages = ["take 2, bars 9-16", "take 1, bars 17-20"]\nshown = false\n'
    ).sound
    assert [str(passage) for passage in heard.passages] == [
        "take 2, bar 9 to end of bar 16",
        "take 1, bar 17 to end of bar 20",
    ]
    assert (heard.gain_db, heard.pan, heard.shift_ms, heard.room_db) == (-3.0, -0.25, 12.5, 2.0)
    assert (heard.muted, heard.shown) == (True, False)
    assert heard.clean == (), "an empty list withdraws what is asked for all parts"
    assert part('clean = ["rests"]').sound.clean == (CleaningWish("rests"),)


@pytest.mark.parametrize(
    ("key", "least", "most"),
    [
        ("gain_db", -40.0, 40.0),
        ("room_db", -40.0, 40.0),
        ("pan", -1.0, 1.0),
        ("shift_ms", -5000.0, 5000.0),
    ],
)
def test_figures_of_a_part_have_their_range(key: str, least: float, most: float) -> None:
    for value in (least, most):
        assert getattr(part(f"{key} = {value}").sound, key) == value
    for value in (f"{least - 0.01:.2f}", f"{most + 0.01:.2f}", "nan", "inf", '"more"', "false"):
        words = told(f'[[parts]]\nname = "Oboe"\n{key} = {value}\n')
        assert words.startswith(f"line 3: 'parts' 1 '{key}' is wrong: input should be ")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('passages = "take 2, bars 9-16"', "is no list: write it in square brackets"),
        ('passages = ["take 2"]', "'take 2' is no passage. Write \"take 2, bars 9-16\""),
        ('passages = ["take 1, bars 1-2", "take 2, bars 9-1"]', "ends before it begins"),
        ("passages = [2]", "2 is no passage"),
        ('clean = ["humm"]', "'humm' is no step of cleaning. There are clipping"),
        ("muted = 1", "is neither true nor false"),
        ("mute = true", "(did you mean 'muted'?)"),
        ('passage = ["take 2, bar 3"]', "(did you mean 'passages'?)"),
    ],
)
def test_mistakes_of_a_part_are_told(line: str, words: str) -> None:
    shown = told(f'[[parts]]\nname = "Oboe"\n[[parts]]\nname = "Flute"\n{line}\n')
    assert shown.startswith("line 5: 'parts' 2 ")
    assert words in shown


# Passages beside each other


def passages(*written: str) -> Part:
    listed = ", ".join(f'"{each}"' for each in written)
    return part(f"passages = [{listed}]")


@pytest.mark.parametrize(
    "written",
    [
        ("take 1, bars 1-8", "take 2, bars 9-16", "take 1, bars 17-20"),
        ("take 2, bars 9-16", "take 1, bars 1-8"),
        ("take 2, bar 1 beat 2 to bar 3 beat 2", "take 3, bar 3 beat 2 to bar 4"),
        ("take 2, bars 9-16", "take 3, end of bar 16 to bar 20"),
        ("take 2, 0 to 10", "take 1, 0:10 to 0:20", "take 2, 20 to 21.5"),
        # Only the beats can tell.
        ("take 2, bars 9-16", "take 1, 0 to 1:00"),
        ("take 2, bar 9 to 1:00", "take 1, bar 9 to 2:00"),
    ],
)
def test_passages_may_touch_in_any_order(written: tuple[str, ...]) -> None:
    assert len(passages(*written).sound.passages) == len(written)


@pytest.mark.parametrize(
    "written",
    [
        ("take 1, bars 1-8", "take 2, bars 8-9"),
        ("take 2, bars 8-9", "take 1, bars 1-8"),
        ("take 1, bars 1-20", "take 2, bar 9"),
        ("take 1, bars 1-4", "take 2, bars 5-8", "take 3, bars 4-5"),
        ("take 2, bar 9", "take 2, bar 9"),
        ("take 2, bar 1 to bar 3 beat 2.5", "take 3, bar 3 beat 2 to bar 4"),
        ("take 2, 0 to 10", "take 1, 9.9 to 20"),
    ],
)
def test_passages_that_overlap_are_told(written: tuple[str, ...]) -> None:
    listed = ", ".join(f'"{each}"' for each in written)
    words = told(f'[[parts]]\nname = "Oboe"\npassages = [{listed}]\n')
    assert words.startswith("line 3: 'parts' 1 'passages' is wrong: 'take ")
    assert words.endswith("overlap.")


STRETCHES = st.tuples(st.integers(0, 100), st.integers(1, 30))


@given(st.lists(STRETCHES, min_size=2, max_size=5))
def test_passages_in_seconds_overlap_where_their_stretches_do(
    stretches: list[tuple[int, int]],
) -> None:
    written = [f"take 1, {begin} to {begin + length}" for begin, length in stretches]
    seconds = [set(range(begin, begin + length)) for begin, length in stretches]
    if sum(map(len, seconds)) == len(set().union(*seconds)):
        passages(*written)
    else:
        with pytest.raises(ProductionError, match="overlap"):
            passages(*written)


@given(st.lists(STRETCHES, min_size=2, max_size=5))
def test_passages_in_bars_overlap_where_they_share_a_bar(
    stretches: list[tuple[int, int]],
) -> None:
    written = [f"take 1, bars {begin}-{begin + length - 1}" for begin, length in stretches]
    bars = [set(range(begin, begin + length)) for begin, length in stretches]
    if sum(map(len, bars)) == len(set().union(*bars)):
        passages(*written)
    else:
        with pytest.raises(ProductionError, match="overlap"):
            passages(*written)
