"""Every target of the fuzzer: on whole inputs, on what it found once, and spoiled by chance.

The long run is `python tests/fuzz/fuzz_parsers.py`.
"""

from __future__ import annotations

import base64
from random import Random

import pytest

from fuzz.targets import TARGETS, words
from soak.mutating import spoil

FOUND: dict[str, tuple[str, ...]] = dict.fromkeys(TARGETS, ())
"""Inputs that broke a promise once, by target, in base64."""


@pytest.mark.parametrize("name", TARGETS)
def test_whole_inputs_and_what_was_found_once_are_answered_or_refused(name: str) -> None:
    target, seeds = TARGETS[name]
    for data in (b"", *seeds(), *map(base64.b64decode, FOUND[name])):
        target(data)


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
