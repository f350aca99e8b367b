"""Every target of the fuzzer: on whole inputs, on what it found once, and spoiled by chance.

The long run is `python tests/fuzz/fuzz_parsers.py`.
"""

from __future__ import annotations

import time
from random import Random

import pytest

from fuzz.targets import TARGETS, words
from soak.mutating import spoil

FOUND = {
    "plans": (b"dist" + b'"' * 57 + b"ance = 1.4",),
    "readings": (
        b"li=0" + b"\r" * 20_000 + b"ratio material=ask=in",
        b"a to" + b" " * 20_000 + b"b",
        b"key" + b"=" * 20_000,
        b"key " * 5000,
    ),
}
"""Inputs that once took minutes, or more time than there is, by target."""

MOST_S = 2.0
"""Of CPU time for one of them: a hundred times what the longest takes, on a slow machine."""


@pytest.mark.parametrize("name", TARGETS)
def test_whole_inputs_are_answered_or_refused(name: str) -> None:
    target, seeds = TARGETS[name]
    for data in (b"", *seeds()):
        target(data)


@pytest.mark.parametrize("name", FOUND)
def test_what_was_found_once_is_answered_soon(name: str) -> None:
    target, _ = TARGETS[name]
    for data in FOUND[name]:
        begun = time.process_time()
        target(data)
        assert time.process_time() - begun < MOST_S


@pytest.mark.parametrize("name", TARGETS)
def test_spoiled_inputs_are_answered_or_refused(name: str) -> None:
    target, seeds = TARGETS[name]
    chance, whole, known = Random(4), seeds(), words()
    for _ in range(150):
        data = chance.choice(whole)
        for _ in range(chance.randrange(3)):
            place = chance.randrange(len(data) + 1)
            data = data[:place] + chance.choice(known) + data[place:]
        target(spoil(data, chance.choice(whole), chance)[0])
