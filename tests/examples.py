"""How many examples a costly property test takes: few in the ``fast`` profile, many more in ``full``."""

from __future__ import annotations

from hypothesis import settings

#: whether the ``full`` profile is loaded (HYPOTHESIS_PROFILE=full)
FULL = settings().max_examples > 1000
#: so many times as many examples in the full profile
MORE = 25


def some(fast: int) -> settings:
    """Settings with this many examples, or ``MORE`` times as many in the full profile; the rest as the profile has it."""
    return settings(max_examples=fast * MORE if FULL else fast)
