"""Tests of cleaning."""
