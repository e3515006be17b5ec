"""Hypothesis profiles: ``fast`` always and everywhere the same; ``full`` by HYPOTHESIS_PROFILE=full."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

slow = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much]
settings.register_profile(
    "fast", derandomize=True, deadline=None, max_examples=60, suppress_health_check=slow
)
settings.register_profile("full", deadline=None, max_examples=2000, suppress_health_check=slow)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "fast"))
