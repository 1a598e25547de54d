"""Tests of the room `guide`."""
