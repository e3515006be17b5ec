"""What the review of a recorded flight works with: channels, relations, numbers, tests on the ground."""

from typing import Literal

from diagnose.model.systems import Cited, Record

#: what the review knows how to compare; see ``diagnose.review.relations``
RelationId = Literal[
    "height_rate_vsi", "height_gps", "height_rate_gps", "vsi_gps", "turn_heading", "turn_track", "bank_turn",
    "heading_track", "heading_compass", "heading_wind", "airspeed_wind", "airspeed_energy", "static_step", "suction_rpm",
    "volts_rpm",
]  # fmt: skip


class Channel(Record, frozen=True, kw_only=True):
    """A channel that a recording can have. ``units``: name -> (factor, offset) to ``unit``.

    ``words`` mean this channel alone, ``loose`` ones this or its ``twin`` by GPS. ``usual``: where the 98th
    percentile of the amounts of a flight lies, in ``unit``; (0, 0) where that tells nothing.
    """

    id: str
    name: str
    unit: str
    words: tuple[str, ...]
    units: dict[str, tuple[float, float]]
    range: tuple[float, float]
    circular: bool = False
    loose: tuple[str, ...] = ()
    twin: str = ""
    usual: tuple[float, float] = (0.0, 0.0)


class RecordingLimits(Cited, frozen=True, kw_only=True):
    """When a recording is not believed as it stands; see ``knowledge/recorded.toml``."""

    gap_s: float
    jump_s: float
    constant_minutes: float
    most_listed: int
    unit_ratio_tolerance: float
    speed_ratio_tolerance: float
    few_rows: int
    longest_h: float
    in_range_share: float
    usual_percentile: float
    change_s: float
    least_s: int
    least_alike: float
    telling_turn_dps: float
    telling_bank_deg: float
    units_share: float
    lost_min: float
    time_words: tuple[str, ...]
    date_words: tuple[str, ...]
    time_units: dict[str, float]
    metric_units: tuple[str, ...]
    plain_words: tuple[str, ...]
    other_words: tuple[str, ...]


class Relation(Cited, frozen=True, kw_only=True):
    """Two or more channels that must agree, and how well they do when all is well.

    ``noise``: standard deviation of a mean over ``ReviewLimits.block_s``, in ``unit``.
    """

    id: RelationId
    name: str
    unit: str
    noise: float
    channels: tuple[str, ...]
    speaks_of: tuple[str, ...]


class ReviewLimits(Cited, frozen=True, kw_only=True):
    """Numbers of the review; see ``knowledge/review.toml``."""

    block_s: float
    shift: float
    threshold: float
    z_limit: float
    vertical_fpm: float
    turn_dps: float
    nose_deg: float
    nose_moves_deg: float
    nose_speed_kt: float
    idle_rpm: float
    idle_inhg: float
    full_share: float
    airborne_kt: float
    airborne_ft: float
    settle_s: float
    snapshot_s: float
    shortest_s: float
    after_climb_s: float
    wind_prior_kt: float
    wind_walk_kt: float
    wind_noise_kt: float
    wind_gate: float
    wind_known_kt: float
    wind_astray_kt: float
    airspeed_error_kt: float
    airspeed_walk_kt: float
    guessed_below: float
    guessed_error_kt: float
    guessed_walk_kt: float
    heading_error_deg: float
    heading_walk_deg: float
    gps_height_ft: float
    straight_dps: float
    straight_for_wind_dps: float
    straight_for_speed_dps: float
    largest_gain_kt_per_s: float
    largest_turn_dps: float
    turns_differ_dps: float
    largest_bank_deg: float
    twelve_volt_below_v: float
    sure_by_wind: float
    sure_drifting: float
    charging_v: float
    dead_v: float
    discharge_a: float
    zero_a: float
    ready_seconds: float
    most_noise: int
    most_gusts: int
    margin: float
    twin_slack_dps: float
    twin_walk_dps: float
    twin_ready_s: float
    suction_slack_inhg: float
    rough_turn_dps: float
    rough_pitch_deg: float
    rough_fpm: float
    drift_min: float
    alike_within: float
    enough: float
    disbelieve: float
    onset_share: float
    blurred_s: float
    slow_s: float
    contested_share: float
    contested_s: int
    contested_least_s: int
    alike_below: float
    look_s: float
    bump_s: float
    quick_s: float
    power_change_s: float
    vsi_lag_s: float
    onset_drop: float
    gps_scale: float
    freezing_s: float
    telling_gain: float
    unexplained: float
    static_step_ft: float
    static_step_s: float
    static_step_ratio: tuple[float, float]
    attack_s: float
    attack_learned_s: float
    attack_deg: tuple[float, float]
    attack_zero_deg: tuple[float, float]
    attack_noise_deg: float
    attack_least_deg: float
    attack_gate: float
    tells_kt: float
    stands: dict[str, tuple[float, float]]
    stands_s: float
    tolerance_kt: float
    tolerance_ft: float
    unseen: tuple[str, ...]


class GroundTest(Cited, frozen=True, kw_only=True):
    """A test on the ground for a technician. ``failures``: for which it is asked."""

    id: str
    name: str
    failures: tuple[str, ...]
    how: str
    limit: str = ""
    rule: str = ""
