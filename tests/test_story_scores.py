"""How well stories are heard: scores against keys, short remarks by kind, any text at all, and how long it takes."""

from __future__ import annotations

import time
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.knowledge.load import knowledge_root, stored_result
from diagnose.language.lexicon import lexicon
from diagnose.language.prose import read_story
from diagnose.model.errors import CaseError
from diagnose.proof.stored import STORIES, Stories, stories_section
from diagnose.terminal.commands import Desk, obey
from tests.desks import ENGINES
from tests.small import shipped
from tests.stories import DATA, remarks, score, stories


def test_a_story_pasted_as_one_line_is_read():
    text = " ".join(story["text"] for story in stories("stories_sample.toml"))
    for size in (2_500, 10_000):
        desk, said = obey(Desk(kb=shipped(), engines=ENGINES), text[:size])
        assert desk.case.snapshot
        assert "Heard:" in said


def test_the_length_of_a_story_has_a_limit_and_its_time_is_linear():
    with pytest.raises(CaseError, match="a story may have"):
        read_story("airspeed low. " * 5000, shipped())
    text = " ".join(story["text"] for story in stories("stories_sample.toml"))
    read_story(text, shipped())
    begun = time.process_time()
    read_story(text, shipped())
    words, took = len(text.split()), time.process_time() - begun
    assert took * 2000 / words < 1.0


WORDS = st.sampled_from(
    [
        phrase
        for listed in lexicon(shipped()).phrases.values()
        for words, _ in listed
        for phrase in [" ".join(words)]
    ]
    + [
        ",",
        ".",
        ";",
        "?",
        "-",
        "3",
        "1,000",
        "zero",
        "minus",
        "5 inches",
        "\x00",
        "é",
        "'",
        "banana",
        "((",
        "£",
    ]
)


@given(st.one_of(st.text(max_size=60), st.lists(WORDS, max_size=12).map(" ".join)))
def test_any_text_is_read_and_only_with_readings_that_there_are(text):
    kb = shipped()
    for sentence in read_story(text, kb):
        for piece in sentence.pieces:
            if piece.kind == "reading":
                facet = next(
                    f for f in kb.gauges[piece.gauge].facets if f"{piece.gauge}.{f.id}" == piece.facet
                )
                assert piece.reading in [reading.id for reading in facet.readings]
                assert 0.0 <= piece.sure <= 1.0


def test_the_words_are_built_once():
    assert lexicon(shipped()) is lexicon(shipped())


@pytest.mark.parametrize(
    ("name", "split", "right", "wrong"),
    [
        ("stories_sample.toml", "develop", 0.9, 0.02),
        ("stories_sample.toml", "held", 0.85, 0.03),
        ("stories_told.toml", "told", 0.95, 0.01),
        ("stories_fresh.toml", "batch 1", 0.9, 0.015),
        ("stories_fresh.toml", "batch 2", 0.95, 0.015),
        ("stories_fresh.toml", "batch 3", 0.85, 0.015),
        ("stories_fresh.toml", "batch 4", 0.8, 0.015),
        ("stories_fresh.toml", "batch 5", 0.83, 0.02),
        ("stories_fresh.toml", "batch 6", 0.77, 0.013),
        ("stories_fresh.toml", "batch 7", 0.8, 0.013),
        ("stories_fresh.toml", "batch 8", 0.7, 0.03),
        ("stories_fresh.toml", "batch 9", 0.72, 0.03),
        ("stories_fresh.toml", "batch 10", 0.8, 0.013),
        ("stories_fresh.toml", "batch 11", 0.6, 0.02),
        ("stories_fresh.toml", "batch 12", 0.8, 0.015),
        ("stories_fresh.toml", "batch 13", 0.89, 0.01),
        ("stories_fresh.toml", "batch 14", 0.87, 0.02),
        ("stories_fresh.toml", "batch 15", 0.9, 0.01),
        ("stories_fresh.toml", "batch 16", 0.9, 0.01),
        ("stories_fresh.toml", "batch 17", 0.9, 0.01),
        ("stories_fresh.toml", "batch 18", 0.8, 0.01),
        ("stories_fresh.toml", "batch 19", 0.8, 0.01),
    ],
)
def test_the_sample_stories_are_taken_in(name, split, right, wrong):
    listed = [s for s in stories(name) if s["split"] == split]
    found = score(listed, shipped(), ENGINES, compare=False, rank=name == "stories_sample.toml")
    assert found.ranked == found.stories
    assert found.met / found.keys >= right, "\n".join(found.notes)
    assert found.wrong / found.sentences <= wrong, "\n".join(found.notes)


def test_short_remarks_by_kind():
    counted = remarks(shipped())
    of = {
        outcome: [text for kind in counted.values() for text in kind.get(outcome, ())]
        for outcome in ("right", "asked", "not used", "wrong")
    }
    total = sum(map(len, of.values()))
    assert len(of["right"]) / total >= 0.95, of
    assert len(of["wrong"]) / total <= 0.02, of["wrong"]


def test_the_evidence_shows_the_fresh_figures_as_they_were_counted():
    """The stored result has every batch of tests/data, and its sums are those of the batches."""
    told = tomllib.loads((DATA / "stories_fresh.toml").read_text(encoding="utf-8"))["batch"]
    stored = stored_result(knowledge_root() / STORIES, Stories, "stories", "story_table")
    fresh = ("name", "met", "keys", "misread", "sentences", "same", "compared")
    assert [{name: getattr(batch, name) for name in fresh} for batch in stored.batches] == told
    for batch in stored.batches:
        assert batch.right + batch.asked + batch.not_used + batch.wrong == batch.keys
    text = " ".join(stories_section(stored).texts)
    assert f"{round(100 * sum(b['met'] for b in told) / sum(b['keys'] for b in told))} % of the keys" in text
