"""A few flights of an independent flight dynamics library, reviewed; many more: ``python -m tests.independent``."""

from __future__ import annotations

import pytest

from diagnose import engine_for, load_knowledge
from tests import independent

pytest.importorskip("jsbsim", reason="pip install 'diagnose-gauges[flights]'")


@pytest.fixture(scope="module")
def engine():
    return engine_for(load_knowledge(), "single_pump")


@pytest.mark.parametrize("fault", ["sound", "vacuum lost", "heading stuck", "altimeter stuck", "pitot inlet blocked"])
def test_what_lies_is_named_and_nothing_else(engine, tmp_path, fault):
    found = independent.reviewed(fault, 100, tmp_path, engine, engine.network.kb)
    assert set(found["condemned"]) == set(found["lies"])
    assert bool(found["first"]) == bool(found["lies"])
    assert found["real"] == bool(found["lies"])
    # it may show on a gauge that tells the truth, suction, before any instrument lies
    if found["lies"]:
        assert found["at"] - 60.0 <= found["showed"] <= min(found["lies"].values()) + 60.0


def test_the_faults_here_are_no_work_of_ours():
    """The flights import nothing of the package but to review them."""
    text = independent.__loader__.get_source(independent.__name__)
    flown = text.partition("# ------------------------------------------------------------------ the review of it")[0]
    assert "diagnose." not in flown
    assert "from diagnose" not in flown
    assert "import diagnose" not in flown
