"""Tests of the sheet."""
