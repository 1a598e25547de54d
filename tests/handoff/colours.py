"""Contrast by the W3C's own formula (WCAG 2.2, definitions of relative luminance and contrast)."""

from __future__ import annotations

TEXT = 4.5
"""WCAG 2.2, 1.4.3 (AA), text of any size."""

LINES = 3.0
"""WCAG 2.2, 1.4.11 (AA), graphical objects."""


def luminance(colour: str) -> float:
    shares = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)
