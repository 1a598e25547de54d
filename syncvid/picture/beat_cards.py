"""What a guide's picture shows at a moment: bar, beat, and what comes next.

A `BeatCard` is plain data; two that are equal look the same.  How it is drawn is told in
`picture.beat_drawing`.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from syncvid.picture.beat_news import bar_starts, breath_begins_s, find_news
from syncvid.production.beats import GuideBeat, GuideMap, Mark, clapped_beats
from syncvid.timeline import FrameRate, middle_of_picture_s

FILL_STEPS = 48
"""In so many steps a held beat fills."""

# So many bars ahead the next section is announced, and so many announcements are shown at once.
# Three, for an entry beside a hold and a change of tempo; what matters most to players comes first.
_MARK_BARS, _MOST_NEWS = 2, 3

# Moments that differ by less than a microsecond are the same.
_DECIMALS, _SAME_S = 6, 1e-6


class Phase(StrEnum):
    """Which kind of card it is."""

    BEFORE = "before"
    COUNT_IN = "count-in"
    MUSIC = "music"
    AFTER = "after"


@dataclass(frozen=True, slots=True)
class BeatCard:
    """What one picture of a guide shows.

    Attributes
    ----------
    phase : Phase
        Before the count-in, in it, in the music, or after it.
    bar : int
        Number of the bar as printed; in the count-in how many bars are to go, this one included.
    beat, beats : int
        Which beat of the bar it is, from 1, and how many the bar has.
    strong : tuple of int
        Which beats begin a group; 1 is always among them.
    mark : str
        The section that is played; may be empty.
    ahead : str
        The next section, or in the count-in how many beats are to go; may be empty.
    news : tuple of str
        What is announced, the most pressing first; before and after the music what is to be read.
    filled : int
        How far a held beat has filled, 0 to `FILL_STEPS`; -1 where nothing is held.
    clap : bool
        Whether everybody claps.
    breath : bool
        Whether everybody is silent before the next beat.
    """

    phase: Phase
    bar: int = 0
    beat: int = 0
    beats: int = 0
    strong: tuple[int, ...] = (1,)
    mark: str = ""
    ahead: str = ""
    news: tuple[str, ...] = ()
    filled: int = -1
    clap: bool = False
    breath: bool = False


class BeatCards:
    """The cards of a guide.

    Parameters
    ----------
    guide : GuideMap
        With beats in the order of time.
    claps : bool
        Whether everybody claps the last whole bar of the count-in.
    """

    def __init__(self, guide: GuideMap, *, claps: bool = True) -> None:
        self._guide = guide
        self._clapped = {beat.guide_s for beat in clapped_beats(guide)} if claps else set()
        self._times = [beat.guide_s for beat in guide.beats]
        self._starts = bar_starts(guide.beats)
        self._music = sum(beat.is_count_in for beat in guide.beats)
        self._news = find_news(guide)
        self._strengths = {round(c.guide_s, _DECIMALS): c.strength for c in guide.clicks}
        self._marks = sorted(
            (mark for mark in guide.marks if mark.kind == "section"), key=lambda m: m.guide_s
        )

    def at(self, guide_s: float) -> BeatCard:
        """Return what is shown at a guide second; a beat is shown from its very moment on."""
        index = bisect.bisect_right(self._times, guide_s) - 1
        if index < 0:
            return self._before()
        if guide_s >= self._guide.music_to_s:
            return self._after()
        beat = self._guide.beats[index]
        # An upbeat may begin within a beat that is counted.
        counted = beat.is_count_in and guide_s < self._guide.music_from_s - _SAME_S
        return self._counted(index, guide_s) if counted else self._played(index, guide_s)

    def pictures(self, count: int, frame_rate: FrameRate) -> Iterator[BeatCard]:
        """Yield the card of each of `count` pictures.

        A picture shows what is due at its middle, so that a beat appears with the picture whose
        beginning is nearest to it.
        """
        for picture in range(count):
            yield self.at(middle_of_picture_s(picture, frame_rate))

    def _before(self) -> BeatCard:
        """Return the card before the first beat."""
        guide = self._guide
        bars = bisect.bisect_left(self._starts, self._music)
        lines = [f"count-in: {bars} {_plural('bar', bars)}"] if bars else ["no count-in"]
        if abs(guide.practice - 1.0) > 1e-9:
            lines.append(f"for practice, at {100.0 * guide.practice:.0f} % of the tempo")
        if guide.version > 1:
            lines.append(f"version {guide.version}")
        return BeatCard(Phase.BEFORE, mark=guide.title, news=tuple(lines))

    def _after(self) -> BeatCard:
        """Return the card after the last beat."""
        quiet = max(1, int(self._guide.duration_s - self._guide.music_to_s + 1e-9))
        return BeatCard(
            Phase.AFTER,
            mark=f"{quiet} {_plural('second', quiet)} of quiet",
            news=("Keep still, then stop recording.",),
        )

    def _counted(self, index: int, guide_s: float) -> BeatCard:
        """Return the card of a beat of the count-in."""
        beat = self._guide.beats[index]
        return BeatCard(
            Phase.COUNT_IN,
            bar=self._bars_until(index, self._music) + 1,
            beat=beat.beat,
            beats=self._beats_of(index),
            strong=self._strong(index),
            ahead=self._to_go(index),
            news=self._news_at(guide_s),
            clap=beat.guide_s in self._clapped,
            breath=_breathes(beat, guide_s),
        )

    def _to_go(self, index: int) -> str:
        """Return what a beat of the count-in leads to: so many beats, or an upbeat between two."""
        last = self._guide.beats[self._music - 1]
        end_s = last.guide_s + last.length_s
        between = last.guide_s + _SAME_S < self._guide.music_from_s < end_s - _SAME_S
        if between and self._bars_until(index, self._music) == 0:
            return f"upbeat after beat {last.beat}"
        left = self._music - index
        return f"{left} {_plural('beat', left)} to go"

    def _played(self, index: int, guide_s: float) -> BeatCard:
        """Return the card of a beat of the music."""
        beat = self._guide.beats[index]
        return BeatCard(
            Phase.MUSIC,
            bar=beat.bar,
            beat=beat.beat,
            beats=self._beats_of(index),
            strong=self._strong(index),
            # The section of an upbeat between two beats begins before any beat of it.
            mark=self._mark(max(index, self._music)),
            ahead=self._ahead(index),
            news=self._news_at(guide_s),
            filled=_filled(beat, guide_s),
            breath=_breathes(beat, guide_s),
        )

    def _bar_of(self, index: int) -> range:
        """Return the beats of a beat's bar."""
        number = bisect.bisect_right(self._starts, index)
        stop = self._starts[number] if number < len(self._starts) else len(self._times)
        return range(self._starts[number - 1], stop)

    def _beats_of(self, index: int) -> int:
        """Return how many beats a beat's bar has; a map may leave that out."""
        beats = self._guide.beats
        return max(beats[index].beats_in_bar, *(beats[i].beat for i in self._bar_of(index)), 1)

    def _strong(self, index: int) -> tuple[int, ...]:
        """Return which beats of a bar are strong, by how their clicks sound."""
        beats = [self._guide.beats[i] for i in self._bar_of(index)]
        strong = {
            beat.beat
            for beat in beats
            if self._strengths.get(round(beat.guide_s, _DECIMALS), 2) <= 1
        }
        return tuple(sorted({1} | strong))

    def _bars_until(self, index: int, later: int) -> int:
        """Return how many bars begin after a beat and before another one."""
        starts = self._starts
        return bisect.bisect_left(starts, later) - bisect.bisect_right(starts, index)

    def _at_mark(self, mark: Mark) -> int:
        """Return the beat at which a section begins."""
        return bisect.bisect_left(self._times, mark.guide_s - _SAME_S)

    def _mark(self, index: int) -> str:
        """Return the name of the section that is played; one without a name has none."""
        beats = self._guide.beats
        for mark in reversed(self._marks):
            at = self._at_mark(mark)
            if at <= index:
                return mark.name if beats[at].section == beats[index].section else ""
        return ""

    def _ahead(self, index: int) -> str:
        """Return what is said about the next section."""
        for mark in self._marks:
            at = self._at_mark(mark)
            if at > max(index, self._music):
                bars = self._bars_until(index, at) + 1
                near = bars <= _MARK_BARS
                return f"{mark.name} in {bars} {_plural('bar', bars)}" if near else ""
        return ""

    def _news_at(self, guide_s: float) -> tuple[str, ...]:
        """Return what is announced at a moment."""
        now = [news.text for news in self._news if news.from_s <= guide_s < news.to_s]
        return tuple(dict.fromkeys(now))[:_MOST_NEWS]


def card_at(guide: GuideMap, guide_s: float, *, claps: bool = True) -> BeatCard:
    """Return what a guide's picture shows at a guide second; see `BeatCards`."""
    return BeatCards(guide, claps=claps).at(guide_s)


def words_of(cards: Iterable[BeatCard]) -> list[str]:
    """Return all words on cards, each once, for fonts to be chosen."""
    found: dict[str, None] = {}
    for card in dict.fromkeys(cards):
        found.update(dict.fromkeys((card.mark, card.ahead, *card.news)))
    return [text for text in found if text]


def _filled(beat: GuideBeat, guide_s: float) -> int:
    """Return how far a held beat has filled; -1 where it is not held."""
    length_s = breath_begins_s(beat) - beat.guide_s
    if beat.held_s <= 0.0 or length_s <= 0.0 or _breathes(beat, guide_s):
        return -1
    share = (guide_s - beat.guide_s) / length_s
    return min(FILL_STEPS, int(FILL_STEPS * share))


def _breathes(beat: GuideBeat, guide_s: float) -> bool:
    """Tell whether there is a breath at a moment of a beat."""
    return beat.breath_s > 0.0 and guide_s >= breath_begins_s(beat)


def _plural(word: str, count: int) -> str:
    """Return a word as it stands behind a number."""
    return word if count == 1 else f"{word}s"
