"""Bugs of what people set."""

from tests.planted.bug import Bug

SETTINGS: tuple[Bug, ...] = ()
