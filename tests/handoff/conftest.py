"""An invented production: six players at home, one clip that wants an ear, one that is not ours."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.handoff import SheetClip, SheetPage, render_sheet
from syncvid.production.results import ClipSync, Finding, Levels, Overview, Rival, Vote
from syncvid.timeline import Beat, BeatMap

DURATION_S = 64.0


def make_clip(
    part: str = "Flute",
    *,
    file: str = "flute.mov",
    take: int = 1,
    player: str = "Ines",
    offset_s: float | None = -6.4,
    drift_ppm: float = 12.0,
    verdict: str = "sure",
    length_s: float = 80.0,
    windows: int = 20,
    astray: tuple[int, ...] = (3,),
    **others: object,
) -> SheetClip:
    rng = np.random.default_rng(7)
    votes = tuple(
        Vote(
            clip_s=float(clip_s),
            lag_s=(offset_s or 0.0)
            + float(clip_s) * drift_ppm * 1e-6
            + (25.0 if index in astray else float(rng.normal(0.0, 1e-4))),
            strength=9.0,
            agrees=index not in astray,
        )
        for index, clip_s in enumerate(np.linspace(2.0, length_s - 2.0, windows))
    )
    rivals = (Rival((offset_s or 0.0) + 21.25, 0.85),) if verdict == "check" else ()
    finding = Finding(
        verdict,  # type: ignore[arg-type]
        0.99,
        "19 of 20 windows agree to 0.1 ms",
        offset_s,
        drift_ppm,
        "mix",
        votes=votes,
        rivals=rivals,
    )
    steps = int(length_s / 0.05)
    overview = Overview(0.05, tuple(rng.uniform(0.1, 0.6, steps).tolist()))
    return SheetClip(
        ClipSync(file, part, take, finding, player, length_s),
        overview=overview,
        levels=Levels(-3.1, -21.4, -58.2, 0.0004, False),
        **others,  # type: ignore[arg-type]
    )


@pytest.fixture(scope="session")
def bars() -> BeatMap:
    return BeatMap(
        tuple(
            Beat(bar + 1, beat + 1, bar * 2.5 + beat * 0.625)
            for bar in range(24)
            for beat in range(4)
        )
    )


@pytest.fixture(scope="session")
def page(bars: BeatMap) -> SheetPage:
    clips = (
        make_clip(take=1, file="flute ines 1.mov", offset_s=9.0, length_s=40.0, chosen=False),
        make_clip(take=2, file="flute ines 2.mov", notes=("The phone was upside down.",)),
        make_clip("Clarinet", file="VID_20260314.mp4", player="Bram", verdict="check"),
        make_clip("Violin", file="oda.mp4", player="Oda", drift_ppm=0.1),
        make_clip("Viola", file="teo.mp4", player="Teo", offset_s=7.12, drift_ppm=-18.9),
        make_clip("Cello", file="mirre.mp4", player="Mirre", offset_s=-8.9, length_s=66.5),
        make_clip("Marimba", file="jonah.mp4", player="Jonah", offset_s=-2.0),
        make_clip(
            "",
            file="IMG_2207.mov",
            player="",
            verdict="none",
            offset_s=None,
            astray=tuple(range(20)),
        ),
    )
    return SheetPage(
        title="Orchard Round",
        reference="mix",
        reference_duration_s=DURATION_S,
        mix_overview=clips[1].overview,
        clips=clips,
        left_out=(("old phone.3gp", "the file ends too soon"),),
        bars=bars,
        guide_offset_s=1.0,
        video="preview.mp4",
        made="14 March 2026",
    )


@pytest.fixture(scope="session")
def sheet(page: SheetPage) -> str:
    return render_sheet(page)
