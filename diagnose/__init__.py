"""Diagnose failures of vacuum, electrical, pitot and static systems from what the gauges showed."""

__version__ = "0.1.0"
