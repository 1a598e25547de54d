"""The rules of the practice cases' scoring, for findings about invented cases."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from .studio import Case, CaseClip

# Edges of spans must lie this near the truth, in seconds.
EDGE_S = 0.25
# A span of this share of the longest one may be taken for the longest.
NEARLY = 0.5


def judge(case: Case, clip: CaseClip, finding: Any) -> dict[str, Any]:
    """Return one row for one clip; `finding` is a syncvid Finding."""
    row: dict[str, Any] = {
        "case": f"{case.kind}_{case.seed:02d}",
        "class": case.kind,
        "file": clip.name,
        "expect": clip.expect,
        "tolerance_ms": clip.tolerance_ms,
        "info": clip.info,
        "case_info": case.info,
        "true_offset_s": clip.offset_s,
        "clip_s": len(clip.samples) / 16000,
        "verdict": finding.verdict,
        "confidence": finding.confidence,
        "reason": finding.reason,
        "offset_s": finding.offset_s,
        "error_ms": None,
        "failure": None,
        "span_errors_ms": [],
    }
    if clip.expect == "none" or finding.offset_s is None:
        return row
    assert clip.overlap_from_s is not None
    assert clip.overlap_to_s is not None
    ends = np.array([clip.overlap_from_s, clip.overlap_to_s])
    slope = (finding.drift_ppm or 0.0) - (clip.drift_ppm or 0.0)
    if clip.spans:
        row.update(_judge_spans(clip, finding))
    errors = [
        (finding.offset_s - true_s) + ends * slope * 1e-6
        for true_s in (clip.offset_s, *clip.also_right_s, *_as_long(clip))
    ]
    best = min(errors, key=lambda error: float(np.abs(error).max()))
    row.update(
        error_ms=float(np.abs(best).max() * 1e3),
        signed_ms=[float(value * 1e3) for value in best],
        drift_error_ppm=slope,
    )
    return row


def _as_long(clip: CaseClip) -> list[float]:
    """Return the offsets of a stepped clip's spans that might be taken for the longest one.

    How much of a span sounds is for the ear to say, so those nearly as long are right as well.
    """
    if clip.span_kind != "step":
        return []
    longest = max(span["clip_to_s"] - span["clip_from_s"] for span in clip.spans)
    return [
        span["offset_s"]
        for span in clip.spans
        if span["clip_to_s"] - span["clip_from_s"] > NEARLY * longest
    ]


def _judge_spans(clip: CaseClip, finding: Any) -> dict[str, Any]:
    """Return errors of the local offsets in the middle of each span, and of the edges."""
    base = finding.drift_ppm or 0.0
    errors, edges = [], []
    for span in clip.spans:
        middle = (span["clip_from_s"] + span["clip_to_s"]) / 2
        drift = span.get("drift_ppm", clip.drift_ppm or 0.0)
        true_s = span["offset_s"] + middle * drift * 1e-6
        told_s = finding.offset_s + middle * base * 1e-6
        found = False
        for got in finding.spans:
            if got.clip_from_s <= middle <= got.clip_to_s:
                local = base if got.drift_ppm is None else got.drift_ppm
                told_s = got.offset_s + middle * local * 1e-6
                found = True
        errors.append(float(abs(told_s - true_s) * 1e3))
        edges.append(_edges_near(span, finding.spans, clip) if found else False)
    return {
        "span_kind": clip.span_kind,
        "span_errors_ms": errors,
        "spans_right": bool(max(errors) <= clip.tolerance_ms),
        "edges_right": bool(all(edges)),
        "true_spans": list(clip.spans),
        "told_spans": [
            [got.clip_from_s, got.clip_to_s, got.offset_s, got.drift_ppm] for got in finding.spans
        ],
    }


def _edges_near(span: dict[str, float], told: Sequence[Any], clip: CaseClip) -> bool:
    """Return whether both ends of a span are told; the ends of the overlap need not be.

    An end of the overlap lies in silence or room noise as a rule, so a span may stop short of it.
    """
    ends = np.array([[got.clip_from_s, got.clip_to_s] for got in told])
    near = [
        np.abs(ends[:, side] - span[key]).min() <= EDGE_S
        for side, key in enumerate(("clip_from_s", "clip_to_s"))
    ]
    assert clip.overlap_from_s is not None
    assert clip.overlap_to_s is not None
    first = span["clip_from_s"] <= clip.overlap_from_s + 0.05
    last = span["clip_to_s"] >= clip.overlap_to_s - 0.05
    if clip.span_kind == "step":
        whole = [other[key] for other in clip.spans for key in ("clip_from_s", "clip_to_s")]
        first, last = span["clip_from_s"] <= min(whole), span["clip_to_s"] >= max(whole)
    return bool((near[0] or first) and (near[1] or last))


def right(row: dict[str, Any]) -> bool:
    """Return whether a row is right by the rules of the practice cases."""
    if row["failure"]:
        return False
    if row["expect"] == "none":
        return row["verdict"] == "none" or (row["verdict"] == "check" and row["offset_s"] is None)
    error = row["error_ms"]
    return error is not None and error <= row["tolerance_ms"] and row["verdict"] != "none"


def sure_wrong(row: dict[str, Any]) -> bool:
    """Return whether the worst thing happened."""
    return row["verdict"] == "sure" and not right(row)


COLUMNS = (
    ("clips", "clips"),
    ("right_pct", "right%"),
    ("within_1ms_pct", "<=1ms"),
    ("within_10ms_pct", "<=10ms"),
    ("within_40ms_pct", "<=40ms"),
    ("median_ms", "med ms"),
    ("p95_ms", "p95 ms"),
    ("drift_error_ppm_median", "drift ppm"),
    ("sure", "sure"),
    ("sure_but_wrong", "SURE WRONG"),
    ("right_not_sure", "right unsure"),
    ("missed", "missed"),
    ("none_said_none", "none ok"),
    ("none_clips", "of"),
    ("spans", "spans"),
    ("edges", "edges"),
    ("cpu_s_per_audio_min", "cpu s/min"),
)


def summary(rows: list[dict[str, Any]], cpu_s: float) -> dict[str, Any]:
    """Return the figures of one kind."""
    match = [row for row in rows if row["expect"] == "match"]
    none = [row for row in rows if row["expect"] == "none"]
    errors = np.array([row["error_ms"] for row in match if row["error_ms"] is not None])
    good = [row for row in match if right(row)]
    drifts = np.array([abs(row["drift_error_ppm"]) for row in good])
    spans = [row for row in match if row["span_errors_ms"]]
    minutes = sum(row["clip_s"] for row in rows) / 60
    out: dict[str, Any] = {"clips": len(rows), "match_clips": len(match), "none_clips": len(none)}
    for limit in (1, 10, 40):
        share = 100 * float((errors <= limit).sum()) / len(match) if match else None
        out[f"within_{limit}ms_pct"] = share
    out.update(
        right_pct=100 * sum(map(right, rows)) / len(rows) if rows else None,
        median_ms=float(np.median(errors)) if len(errors) else None,
        p95_ms=float(np.percentile(errors, 95)) if len(errors) else None,
        drift_error_ppm_median=float(np.median(drifts)) if len(drifts) else None,
        sure=sum(row["verdict"] == "sure" for row in rows),
        sure_but_wrong=sum(map(sure_wrong, rows)),
        right_not_sure=sum(row["verdict"] != "sure" for row in good),
        missed=sum(row["verdict"] == "none" or row["error_ms"] is None for row in match),
        none_said_none=sum(map(right, none)),
        spans=f"{sum(r['spans_right'] for r in spans)}/{len(spans)}" if spans else None,
        edges=f"{sum(r['edges_right'] for r in spans)}/{len(spans)}" if spans else None,
        cpu_s_per_audio_min=cpu_s / minutes if minutes else None,
    )
    return out


def table(by_kind: dict[str, dict[str, Any]]) -> str:
    """Return the figures of all kinds as a table."""

    def cell(value: Any) -> str:
        if value is None or isinstance(value, str):
            return value or "-"
        if isinstance(value, int):
            return str(value)
        return f"{value:.2f}" if value < 10 else f"{value:.0f}"

    lines = ["| kind | " + " | ".join(head for _, head in COLUMNS) + " |"]
    lines.append("|---" * (len(COLUMNS) + 1) + "|")
    for kind, figures in by_kind.items():
        lines.append(f"| {kind} | " + " | ".join(cell(figures[key]) for key, _ in COLUMNS) + " |")
    return "\n".join(lines)
