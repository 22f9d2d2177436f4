# SPDX-License-Identifier: GPL-3.0-or-later
"""A seeded handful of the corpus: no answer is wrong and confident; scripts/measure_corpus.py measures all."""

from __future__ import annotations

import zlib

import pytest
from corpus.dirt import KINDS
from corpus.judged import WRONG, cases


@pytest.mark.parametrize(
    ("verb", "one_in", "subject"),
    [
        ("section", 5, "reed_bracer"),
        ("section", 11, "limpet_bowl"),
        ("clearance", 9, "reed_bracer"),
        ("split", 9, "limpet_cheek_left"),
    ],
)
def test_no_answer_on_a_dirty_mesh_is_wrong_and_confident(verb, one_in, subject):
    def chosen(name, kind, seed, asked):
        return (name, asked) == (subject, verb) and zlib.crc32(f"{kind}{verb}".encode()) % one_in == 0

    found = list(cases(chosen, 1, [subject]))
    assert 1 <= len(found) <= len(KINDS)
    assert [c for c in found if c.verdict == WRONG] == []
