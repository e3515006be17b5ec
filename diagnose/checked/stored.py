"""Results that take too long to be run afresh: calibration, as far as it has been stored."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from diagnose.knowledge import KnowledgeBase

if TYPE_CHECKING:
    from diagnose.checked.document import Section


def stored_sections(kb: KnowledgeBase) -> Iterator[Section]:
    """Sections of the stored results that there are."""
    yield from ()
