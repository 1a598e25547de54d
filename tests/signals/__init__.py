"""Tests of the room `signals`."""
