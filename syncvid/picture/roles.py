"""Whom a scene names: the parts that are seen, the one that leads, the pair that faces each other.

A name is that of a part, of a voice's label, or of a group, which means all who sit in it; capitals
make no difference.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from syncvid.errors import ProductionError
from syncvid.picture.pieces import Voice
from syncvid.production.layouts import ScenePlan


@dataclass(frozen=True, slots=True)
class Roles:
    """Who does what in a scene, as indices into the voices.

    Attributes
    ----------
    shown : tuple of int
        Who is seen, in score order; never empty.
    lead : int
        One of them.
    pair : (int, int)
        Two of them; twice the same where there is only one.
    warnings : tuple of str
        What the user should know.
    """

    shown: tuple[int, ...]
    lead: int
    pair: tuple[int, int]
    warnings: tuple[str, ...] = ()


def cast_roles(
    voices: Sequence[Voice], plan: ScenePlan, where: str, absent: Collection[str] = ()
) -> Roles:
    """Find the voices that a scene names.

    Parameters
    ----------
    voices : sequence of Voice
        In score order; at least one.
    plan : ScenePlan
        The scene.
    where : str
        What to call it in a message.
    absent : collection of str
        Names that the production knows, but that are not among the voices.

    Returns
    -------
    Roles

    Raises
    ------
    ProductionError
        A name that nobody bears; the closest one is offered.
    """
    missing: list[str] = []

    def named(names: Sequence[str]) -> list[int]:
        found: list[int] = []
        for name in names:
            indices = _find(voices, name, where, absent)
            found += [index for index in indices if index not in found]
            if not indices:
                missing.append(name)
        return found

    shown = named(plan.parts) or list(range(len(voices)))
    lead, pair = named([plan.lead] if plan.lead else []), named(plan.pair)
    # Who leads or is one of the pair is seen, whether `parts` says so or not.
    in_pair = plan.arrangement == "facing"
    shown = sorted({*shown, *(pair[:2] if in_pair else lead[:1])})
    if in_pair:
        pair = [*pair, *(index for index in shown if index not in pair)]
    warnings = [f"{where}: {name} has nothing to show." for name in dict.fromkeys(missing)]
    one, other = (*pair[:2], *pair[:1])[:2] if in_pair else (shown[0], shown[0])
    return Roles(tuple(shown), lead[0] if lead else shown[0], (one, other), tuple(warnings))


def _find(voices: Sequence[Voice], name: str, where: str, absent: Collection[str]) -> list[int]:
    """Return the voices that bear a name; none if the production knows it all the same."""
    wanted = name.casefold().strip()
    found = [i for i, voice in enumerate(voices) if wanted in _called(voice)[:2]]
    found = found or [i for i, voice in enumerate(voices) if wanted in _called(voice)]
    if found or wanted in (other.casefold() for other in absent):
        return found
    names = list(dict.fromkeys([*(voice.part for voice in voices), *(v.group for v in voices)]))
    known = {known.casefold(): known for known in [*names, *absent] if known}
    close = difflib.get_close_matches(wanted, known, n=1)
    raise ProductionError(
        f"There is no part {name!r}.",
        where=where,
        fix=f"Did you mean {known[close[0]]!r}?"
        if close
        else f"Parts: {', '.join(known.values())}.",
    )


def _called(voice: Voice) -> tuple[str, str, str]:
    """Return what a voice may be called: by part, by label, by group."""
    return voice.part.casefold(), voice.label.casefold(), voice.group.casefold()
