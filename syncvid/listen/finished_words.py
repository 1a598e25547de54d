"""What is said of a finished mix: a sentence for each thing that its user should know."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from syncvid.timeline import clock_text

if TYPE_CHECKING:
    from syncvid.listen.finished import Finished

# Samples at this level have reached full scale, also of 16 bits with dither.
_FULL_SCALE = 1 - 2 / 32768

# True peak that sound should keep below before it is coded (AES TD1008; EBU R 128); what is no
# higher in the digit that is shown is not told.
_MOST_DBTP, _SHOWN_DB = -1.0, 0.05

# What is usual on the web (habit, without a source) and in European broadcasting (EBU R 128), and
# beyond which loudness a mix is told of (project choices).
_WEB_LUFS, _BROADCAST_LUFS = -14, -23
_LOUD_LUFS, _SOFT_LUFS = -10.0, -20.0

# Sides that work against each other (project choice).
_AGAINST = -0.5

# An offset of a hundredth of full scale makes a click that is heard (project choice).
_OFFSET = 0.01

# Silence that is told of, in seconds (project choices).
_LONG_HEAD_S, _LONG_TAIL_S = 5.0, 10.0


def sentences_on(mix: Finished) -> tuple[str, ...]:
    """Say what the user should know of a mix: nothing if all is well."""
    if mix.is_silent:
        return ("The mix is silent.",)
    told = (
        _on_clipping(mix),
        _on_peak(mix),
        _on_loudness(mix),
        *_on_sides(mix),
        _on_offset(mix),
        *_on_ends(mix),
    )
    return tuple(filter(None, told))


# So many tops are told by their number: places that follow each other closely count as one.
_MANY_TOPS = 100


def _on_clipping(mix: Finished) -> str:
    """Say where it is clipped."""
    tops, broad = mix.flat_tops, mix.broad_tops
    if not mix.is_clipped or tops.first_s is None:
        return (
            ""
            if not broad.tell or broad.first_s is None
            else (
                "The mix may have been clipped before it was coded: many of its waves are broad on "
                f"top, first at {clock_text(broad.first_s)}. Please listen there."
            )
        )
    first = clock_text(tops.first_s)
    where = f"at {first}" if tops.places == 1 else f"in {tops.places} places, first at {first}"
    many = f"{tops.tops:,} " if tops.tops >= _MANY_TOPS else ""
    told = (
        f"The mix is clipped {where}: {many}tops of its waves are cut off, and it may sound harsh."
    )
    if tops.level >= _FULL_SCALE:
        return told
    below_db = -20 * math.log10(tops.level)
    return f"{told} They lie {below_db:.1f} dB below full scale, so that its level hides it."


def _on_peak(mix: Finished) -> str:
    """Say that it peaks too high."""
    sample, true = mix.sample_peak_dbfs, mix.true_peak_dbtp
    if sample is not None and sample > _SHOWN_DB:
        return (
            f"The mix goes {sample:.1f} dB above full scale: wherever that cannot be kept, it is "
            "clipped."
        )
    if true is None or true <= _MOST_DBTP + _SHOWN_DB:
        return ""
    return (
        f"The mix peaks at {round(true, 1) + 0.0:.1f} dBTP, above {_MOST_DBTP:g} dBTP: some "
        "players may distort there."
    )


def _on_loudness(mix: Finished) -> str:
    """Say that it is uncommonly loud or soft."""
    loudness = mix.integrated_lufs
    if loudness is None or _SOFT_LUFS <= loudness <= _LOUD_LUFS:
        return ""
    word = "very loud" if loudness > _LOUD_LUFS else "soft"
    broadcast = f", and {_BROADCAST_LUFS} in European broadcasting" if word == "soft" else ""
    return (
        f"The mix is {word}, {loudness:.1f} LUFS: about {_WEB_LUFS} is usual on the web{broadcast}."
    )


def _on_sides(mix: Finished) -> tuple[str, ...]:
    """Say what is uncommon about its two sides."""
    if mix.silent_side:
        heard = "right" if mix.silent_side == "left" else "left"
        return (f"Only the {heard} side of the mix sounds: the {mix.silent_side} is silent.",)
    if mix.correlation is not None and mix.correlation < _AGAINST:
        return (
            "The two sides of the mix work against each other: much of it disappears on a "
            f"single loudspeaker (correlation {mix.correlation:.2f}).",
        )
    return ("The mix is mono.",) if mix.is_mono else ()


def _on_offset(mix: Finished) -> str:
    """Say that it does not swing around zero."""
    if mix.offset < _OFFSET:
        return ""
    return (
        f"The mix lies off zero, by {100 * mix.offset:.0f} % of full scale: it may click "
        "where it begins and ends."
    )


def _on_ends(mix: Finished) -> tuple[str, ...]:
    """Say that it ends badly, or begins or ends with much silence."""
    head = f"The mix begins with {mix.head_s:.1f} s of silence."
    tail = f"The mix ends with {mix.tail_s:.1f} s of silence."
    cut = "The mix ends at full strength, without dying away: it may be cut off."
    return (
        head if mix.head_s > _LONG_HEAD_S else "",
        tail if mix.tail_s > _LONG_TAIL_S else "",
        cut if mix.cut_off else "",
    )
