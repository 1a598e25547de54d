"""The page on which a plan is written: lines with a remark on each kind of them."""

from __future__ import annotations

from dataclasses import dataclass

from syncvid.production.played import PlayedBars

# What is said of each kind of line, where it first stands.
_SAID = {
    "metre": 'also "6/8" (two beats), "6/8 in 6", "7/8 (2+2+3)", "cut"',
    "tempo": 'beats per minute, or "dotted quarter = 60"',
    "upbeat": "what is played before bar 1",
    "count_in": 'bars; or at least so many seconds: "6 s"',
    "score": "for lines that are played from it",
    "click": '"wood", "bell" or "tick"',
    "a4_hz": "the pitch to tune to",
    "tuning": '"equal" or "just"',
    "name": "rehearsal mark or name",
    "again": "this section comes again",
    "bars": 'how many; or by number, as in "1-8, 1-7, 9-16"',
    "tempo_to": "where the tempo goes from the section's beginning to its end",
    "law": '"by beats", "by time" or "steps"',
    "clicks": '"none", "bars", "half bars", "beats", "halves", "thirds" or "quarters"',
    "until": "a gradual change; without it the tempo is new at once",
    "longer": "than written, in the tempo of that place",
    "seconds": "put in, the tempo stays",
    "before": "a breath; at = ... holds a beat",
    "part": "a cue sounds a bar before this part comes in",
}

# Where remarks begin, in letters.
_SAID_FROM = 26


@dataclass(slots=True)
class Page:
    """The lines that are written, with a remark behind the first of each kind."""

    lines: list[str]
    told: set[str]
    played: PlayedBars

    def head(self, title: str) -> None:
        """Begin a table."""
        self.lines += ["", title]

    def put(self, key: str, value: str, said: str | None = None) -> None:
        """Write a line."""
        line = f"{key} = {value}"
        words = _SAID.get(key, "") if said is None else said
        if words and "\n" not in value and (said is not None or key not in self.told):
            self.told.add(key)
            line = f"{line:<{_SAID_FROM}} # {words}"
        self.lines.append(line)
