"""What the machine found: plain frozen records, and their JSON form ``syncvid.sync/1``.

The JSON names are a contract with scripts; a reader takes files that hold more than it knows and
fills what is missing, so that a hand-written file with offsets alone will do.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Literal, get_args

from syncvid.errors import ProductionError
from syncvid.timeline import Placement, Span

SYNC_FORMAT = "syncvid.sync/1"

Verdict = Literal["sure", "check", "none"]
Reference = Literal["mix", "guide", "clips"]


@dataclass(frozen=True, slots=True)
class Vote:
    """Where one short window of a clip was heard in the reference.

    Attributes
    ----------
    clip_s : float
        Middle of the window, in clip seconds.
    lag_s : float
        Reference time minus clip time at that moment, in seconds.
    strength : float
        How far the peak stands out, in standard deviations of the correlation.
    agrees : bool
        Whether the vote lies on the line that was chosen.
    """

    clip_s: float
    lag_s: float
    strength: float
    agrees: bool


@dataclass(frozen=True, slots=True)
class Rival:
    """Another place where the clip would fit.

    Attributes
    ----------
    offset_s : float
        Its offset, in seconds.
    strength : float
        Its evidence as a share of that of the chosen place, 0 to 1.
    """

    offset_s: float
    strength: float


@dataclass(frozen=True, slots=True)
class HeardGuide:
    """The guide whose signature is heard in a clip.

    Attributes
    ----------
    guide : int
        Its number.
    version : int
        Of its version the lowest eight bits.
    """

    guide: int
    version: int


@dataclass(frozen=True, slots=True)
class Finding:
    """Where a clip belongs, how sure that is, and why.

    Attributes
    ----------
    verdict : {"sure", "check", "none"}
        Use it; ask an ear; nothing here fits.
    confidence : float
        0 to 1.
    reason : str
        One sentence for the user that names the evidence.
    offset_s, drift_ppm : float or None
        The placement; None where nothing fits.
    against : str
        What the clip was laid against: ``mix``, ``guide`` or the label of another clip.
    spans : tuple of Span
        Where its sound is really in the reference.
    votes : tuple of Vote
        The windows, for the plot.
    rivals : tuple of Rival
        Other places, strongest first.
    pinned : bool
        Whether the user settled this, in ``production.toml``.
    player_lag_ms : float or None
        How much later than the guide's clicks the player plays, where both are known.
    heard_guide : HeardGuide or None
        The guide that was recorded to, where its signature is heard.
    """

    verdict: Verdict
    confidence: float
    reason: str
    offset_s: float | None = None
    drift_ppm: float | None = None
    against: str = ""
    spans: tuple[Span, ...] = ()
    votes: tuple[Vote, ...] = ()
    rivals: tuple[Rival, ...] = ()
    pinned: bool = False
    player_lag_ms: float | None = None
    heard_guide: HeardGuide | None = None

    @property
    def placement(self) -> Placement | None:
        """The placement, or None where the clip has no place."""
        if self.offset_s is None or self.verdict == "none":
            return None
        return Placement(self.offset_s, self.drift_ppm or 0.0)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of a file that holds one take, on the file's own clock.

    Attributes
    ----------
    from_s, to_s : float or None
        Where it begins and ends, in clip seconds; None: with the file.
    """

    from_s: float | None = None
    to_s: float | None = None

    @property
    def is_whole(self) -> bool:
        """Whether it is the whole file."""
        return self.from_s is None and self.to_s is None

    @property
    def text(self) -> str:
        """The stretch as a short text that no other one has; empty for the whole file."""
        if self.is_whole:
            return ""
        ends = ("" if end is None else f"{end:.6g}" for end in (self.from_s, self.to_s))
        return "@{}-{}".format(*ends)

    def within(self, duration_s: float) -> tuple[float, float]:
        """Return where it begins and ends in a file of a length, in clip seconds."""
        begin = min(self.from_s or 0.0, duration_s)
        return begin, duration_s if self.to_s is None else max(begin, min(self.to_s, duration_s))


@dataclass(frozen=True, slots=True)
class ClipSync:
    """The finding about one clip.

    Attributes
    ----------
    file : str
        The path as the user gave it.
    part : str
        The part that it plays; empty if nobody knows.
    take : int
        Number of the take, from 1.
    finding : Finding
        Place, verdict, reason and evidence.
    player : str
        Who plays; may be empty.
    duration_s : float or None
        Length of the file in clip seconds, if it is known.
    stretch : Stretch
        Which part of the file holds this take.
    listed : bool
        Whether the plan, or the command line, names it; False for a further take that was found
        in a file that holds several.
    sound_of : str
        For the file of a separate recorder: the clip whose picture goes with it.
    """

    file: str
    part: str
    take: int
    finding: Finding
    player: str = ""
    duration_s: float | None = None
    stretch: Stretch = Stretch()
    listed: bool = True
    sound_of: str = ""

    @property
    def name(self) -> str:
        """What to call the clip in a message: part and take, or the file."""
        player = f" ({self.player})" if self.player else ""
        recorder = ", its recorder" if self.sound_of else ""
        return f"{self.part}{player}, take {self.take}{recorder}" if self.part else self.file


@dataclass(frozen=True, slots=True)
class SyncResult:
    """Everything that `sync` found.

    Attributes
    ----------
    reference : {"mix", "guide", "clips"}
        Whose first sample is reference time 0.
    clips : tuple of ClipSync
        One for each clip that could be read.
    guide_offset_s : float or None
        Where the guide's zero lies on the reference, if both are known.
    reference_duration_s : float or None
        Length of the reference in seconds.
    """

    reference: Reference
    clips: tuple[ClipSync, ...]
    guide_offset_s: float | None = None
    reference_duration_s: float | None = None

    def of(self, file: str, stretch: Stretch = Stretch()) -> ClipSync | None:
        """Return the finding about a file, or about one stretch of it; None where there is none."""
        same = [clip for clip in self.clips if clip.file == file and not clip.sound_of]
        exact = [clip for clip in same if clip.stretch == stretch]
        return next(iter(exact or (same if stretch.is_whole else ())), None)

    def sound_of(self, file: str, picture: str) -> ClipSync | None:
        """Return the finding about a separate recorder's file, or None."""
        return next((c for c in self.clips if (c.file, c.sound_of) == (file, picture)), None)


@dataclass(frozen=True, slots=True)
class Levels:
    """What a clip's sound is like, as far as it decides whether the clip can be used.

    Attributes
    ----------
    peak_dbfs, loudness_dbfs, noise_dbfs : float
        Sample peak; plain RMS of the louder half; RMS of the quietest tenth (50 ms hops).
    clipped_share : float
        Share of the samples that sit in flat tops, 0 to 1.
    silent : bool
        Nothing is to be heard at all.
    """

    peak_dbfs: float
    loudness_dbfs: float
    noise_dbfs: float
    clipped_share: float
    silent: bool


@dataclass(frozen=True, slots=True)
class Overview:
    """A clip's sound as it is drawn: peaks over time.

    Attributes
    ----------
    step_s : float
        Length of one entry in clip seconds.
    peaks : tuple of float
        Largest absolute sample of each step, 0 to 1.
    """

    step_s: float
    peaks: tuple[float, ...] = field(repr=False, default=())


def write_sync_json(result: SyncResult, *, evidence: bool = True) -> str:
    """Write a result as ``syncvid.sync/1``.

    Parameters
    ----------
    result : SyncResult
        What was found.
    evidence : bool
        Whether to add the votes of the windows.

    Returns
    -------
    str
        JSON text, ending in a newline.
    """
    document = {
        "format": SYNC_FORMAT,
        "reference": result.reference,
        "guide_offset_s": _rounded(result.guide_offset_s),
        "reference_duration_s": _rounded(result.reference_duration_s),
        "clips": [_clip_document(clip, evidence) for clip in result.clips],
    }
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def read_sync_json(text: str, *, where: str = "") -> SyncResult:
    """Read ``syncvid.sync/1``.

    Parameters
    ----------
    text : str
        The JSON text.
    where : str
        The file it comes from, for messages.

    Returns
    -------
    SyncResult

    Raises
    ------
    ProductionError
        Not JSON, another format, or an entry that cannot be understood.
    """
    fix = "Write it anew with `syncvid sync --json FILE`."
    try:
        document = json.loads(text)
    except ValueError as exc:
        raise ProductionError(f"This is no JSON: {exc}.", where=where, fix=fix) from exc
    if not isinstance(document, dict) or document.get("format") != SYNC_FORMAT:
        raise ProductionError(f"This is no {SYNC_FORMAT} file.", where=where, fix=fix)
    try:
        return SyncResult(
            reference=_one_of(document.get("reference", "mix"), Reference, "reference"),
            clips=tuple(_read_clip(entry) for entry in document["clips"]),
            guide_offset_s=_number(document.get("guide_offset_s")),
            reference_duration_s=_number(document.get("reference_duration_s")),
        )
    except (KeyError, TypeError, ValueError) as exc:
        raise ProductionError(f"An entry is wrong: {exc}.", where=where, fix=fix) from exc


def _clip_document(clip: ClipSync, evidence: bool) -> dict[str, Any]:
    """Return one clip's JSON object."""
    finding = clip.finding
    document: dict[str, Any] = {
        "file": clip.file,
        "part": clip.part,
        "take": clip.take,
        "player": clip.player,
        "duration_s": _rounded(clip.duration_s),
        "offset_s": _rounded(finding.offset_s),
        "drift_ppm": _rounded(finding.drift_ppm, 3),
        "verdict": finding.verdict,
        "confidence": round(finding.confidence, 4),
        "against": finding.against,
        "reason": finding.reason,
        "spans": [_without_none(span) for span in finding.spans],
        "rivals": [_without_none(rival) for rival in finding.rivals],
        **_special(clip),
        "player_lag_ms": _rounded(finding.player_lag_ms, 1),
    }
    if evidence:
        document["votes"] = [_without_none(vote) for vote in finding.votes]
    return document


def _special(clip: ClipSync) -> dict[str, Any]:
    """Return the fields that only some clips have."""
    stretch = clip.stretch
    special: dict[str, Any] = {
        "pinned": clip.finding.pinned or None,
        "from_s": _rounded(stretch.from_s),
        "to_s": _rounded(stretch.to_s),
        "listed": None if clip.listed else False,
        "sound_of": clip.sound_of or None,
        "heard_guide": asdict(heard) if (heard := clip.finding.heard_guide) else None,
    }
    return {name: value for name, value in special.items() if value is not None}


def _without_none(record: Span | Rival | Vote) -> dict[str, Any]:
    """Return a record's fields, rounded, leaving out what is None."""
    values = {entry.name: getattr(record, entry.name) for entry in fields(record)}
    return {
        name: _rounded(value) if isinstance(value, float) else value
        for name, value in values.items()
        if value is not None
    }


def _read_clip(entry: Mapping[str, Any]) -> ClipSync:
    """Read one clip's JSON object."""
    offset_s = _number(entry.get("offset_s"))
    finding = Finding(
        verdict=_one_of(
            entry.get("verdict", "none" if offset_s is None else "sure"), Verdict, "verdict"
        ),
        confidence=_number(entry.get("confidence")) or 0.0,
        reason=str(entry.get("reason", "")),
        offset_s=offset_s,
        drift_ppm=_number(entry.get("drift_ppm")),
        against=str(entry.get("against", "")),
        spans=_records(Span, entry.get("spans")),
        votes=_records(Vote, entry.get("votes")),
        rivals=_records(Rival, entry.get("rivals")),
        pinned=entry.get("pinned") is True,
        player_lag_ms=_number(entry.get("player_lag_ms")),
        heard_guide=_read_heard(entry.get("heard_guide")),
    )
    return ClipSync(
        file=str(entry["file"]),
        part=str(entry.get("part") or ""),
        take=int(entry.get("take") or 1),
        finding=finding,
        player=str(entry.get("player") or ""),
        duration_s=_number(entry.get("duration_s")),
        stretch=Stretch(_number(entry.get("from_s")), _number(entry.get("to_s"))),
        listed=entry.get("listed") is not False,
        sound_of=str(entry.get("sound_of") or ""),
    )


def _read_heard(entry: Mapping[str, Any] | None) -> HeardGuide | None:
    """Read which guide was heard."""
    return None if entry is None else HeardGuide(int(entry["guide"]), int(entry["version"]))


def _records(kind: type[Any], entries: Sequence[Mapping[str, Any]] | None) -> tuple[Any, ...]:
    """Read a list of flat records, taking the fields that the record knows."""
    known = {entry.name for entry in fields(kind)}
    return tuple(
        kind(**{name: value for name, value in entry.items() if name in known})
        for entry in entries or ()
    )


def _number(value: object) -> float | None:
    """Return a finite number, or None for null."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{value!r} is no number")
    return float(value)


def _rounded(value: float | None, decimals: int = 6) -> float | None:
    """Round a number for writing: microseconds are far finer than any verdict."""
    return None if value is None else round(value, decimals)


def _one_of(value: object, choices: Any, name: str) -> Any:
    """Return a value that must be one of the words of a Literal type."""
    if value not in get_args(choices):
        raise ValueError(f"{name} is {value!r}, not one of {', '.join(get_args(choices))}")
    return value
