"""Groundspeed and track from positions, where a recorder gives positions alone."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from diagnose.model.units import Array, kt_from_m_s

EARTH_M = 6_371_008.8
"""Mean radius of the earth (R1 of the WGS 84 ellipsoid). Source: GRS 80, Moritz 2000, J. Geodesy 74, table 1."""
#: over this span; coordinates are often rounded to about 10 m
SPAN_S = 20
#: slower than this a track means nothing
SLOWEST_KT = 5.0


def speed_and_track(latitude_deg: Array, longitude_deg: Array) -> Mapping[str, Array]:
    """``gps_speed_kt`` and ``gps_track_deg`` (true) over a centered span; NaN where not known. (second,) each"""
    half = SPAN_S // 2
    speed, track = np.full(len(latitude_deg), np.nan), np.full(len(latitude_deg), np.nan)
    if len(latitude_deg) <= SPAN_S:
        return {"gps_speed_kt": speed, "gps_track_deg": track}
    north = np.radians(latitude_deg[SPAN_S:] - latitude_deg[:-SPAN_S])
    around = (longitude_deg[SPAN_S:] - longitude_deg[:-SPAN_S] + 180.0) % 360.0 - 180.0
    east = np.radians(around) * np.cos(np.radians(latitude_deg[half:-half]))
    moved = EARTH_M * np.hypot(north, east)
    speed[half:-half] = kt_from_m_s(moved / SPAN_S)
    track[half:-half] = np.where(speed[half:-half] > SLOWEST_KT, np.degrees(np.arctan2(east, north)) % 360.0, np.nan)  # fmt: skip
    return {"gps_speed_kt": speed, "gps_track_deg": track}
