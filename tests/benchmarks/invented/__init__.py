"""Invented sync cases with planted truth, as arrays: no files, no codecs."""

from __future__ import annotations

from .cases import KINDS, kept_case, make_case
from .studio import Case, CaseClip

__all__ = ["KINDS", "Case", "CaseClip", "kept_case", "make_case"]
