"""Invented cases: `make_case` makes one of a kind from a seed."""

from __future__ import annotations

import hashlib
import pickle
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from . import further, practised, strangers
from .music import Rng
from .studio import Case

KINDS: dict[str, Callable[[Rng], Case]] = {
    "A": practised.kind_a,
    "B": practised.kind_b,
    "C": practised.kind_c,
    "D": practised.kind_d,
    "E": practised.kind_e,
    "F": practised.kind_f,
    "G": practised.kind_g,
    "H": practised.kind_h,
    "I": practised.kind_i,
    "J": practised.kind_j,
    "step": further.kind_step,
    "stretch": further.kind_stretch,
    "pitchfixed": further.kind_pitchfixed,
    "wrongrate": strangers.kind_wrongrate,
    "otherguide": strangers.kind_otherguide,
    "otherkey": strangers.kind_otherkey,
    "guidealone": strangers.kind_guidealone,
    "twice": further.kind_twice,
    "fewnotes": further.kind_fewnotes,
    "wireless": further.kind_wireless,
    "manytakes": further.kind_manytakes,
    "quiet": further.kind_quiet,
}


def make_case(kind: str, seed: int) -> Case:
    """Return a case of a kind; the same seed gives the same case."""
    rng = np.random.default_rng([zlib.crc32(kind.encode()), seed])
    made = KINDS[kind](rng)
    return replace(made, kind=kind, seed=seed)


def kept_case(kind: str, seed: int, folder: Path | None) -> Case:
    """Return a case from a folder where it is kept, or make it and keep it there."""
    if folder is None:
        return make_case(kind, seed)
    files = sorted(set(Path(__file__).parent.glob("*.py")) - {Path(__file__).parent / "scoring.py"})
    code = b"".join(path.read_bytes() for path in files)
    path = folder / hashlib.sha256(code).hexdigest()[:10] / f"{kind}_{seed}.pickle"
    if path.exists():
        kept: Case = pickle.loads(path.read_bytes())
        return kept
    made = make_case(kind, seed)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(pickle.dumps(made, protocol=5))
    return made
