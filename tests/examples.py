"""How much a costly test takes: little in the usual run, more with ``--long``, most in the profile ``full``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import pytest
from hypothesis import settings

Item = TypeVar("Item")

_examples = settings().max_examples
#: whether the ``full`` profile is loaded (HYPOTHESIS_PROFILE=full)
FULL = _examples > 1000
#: whether more than the usual run was asked for (``--long``)
LONG = _examples > 25
#: what cannot be had with fewer examples
long_only = pytest.mark.skipif(not LONG, reason="takes long: pytest --long")
#: so many times as many examples in the full profile
MORE = 25


def some(long: int, usual: int | None = None) -> settings:
    """Settings with this many examples with ``--long``, else fewer (a third); ``MORE`` times as many in the full profile."""
    short = max(long // 3, 1) if usual is None else usual
    return settings(max_examples=long * MORE if FULL else long if LONG else short)


def part(items: Sequence[Item], every: int) -> Sequence[Item]:
    """All of them with ``--long``, else every so-manyth, the same ones always."""
    return items if LONG else items[::every]
