"""Tests of the room `sync`."""
