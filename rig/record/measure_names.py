"""The measures that a limit may ask for, each with the unit token that ends its key."""

from __future__ import annotations

MEASURE_UNITS: dict[str, str] = {
    "latency_median": "ms",
    "latency_mean": "ms",
    "latency_sd": "ms",
    "latency_p95": "ms",
    "latency_p99": "ms",
    "latency_worst": "ms",
    "wire_time": "ms",
    "sound_latency_median": "ms",
    "sound_delay_median": "ms",
    "sound_delay_sd": "ms",
    "host_offset_mean": "ms",
    "host_offset_sd": "ms",
    "din_line_offset_mean": "us",
    "din_line_offset_sd": "us",
    "lost_share": "percent",
    "double_share": "percent",
    "crosstalk_share": "percent",
    "stray_rate": "per_h",
    "double_delay_median": "ms",
    "resolvable_rate_95": "per_s",
    "resolvable_rate_99": "per_s",
    "flam_gap_50": "ms",
    "flam_gap_95": "ms",
    "flam_order_kept": "percent",
    "flam_level_kept": "percent",
    "velocity_inl_endpoint": "levels",
    "velocity_inl_bestfit": "levels",
    "velocity_dnl_worst": "levels",
    "velocity_spread": "levels",
    "velocity_hysteresis": "levels",
    "velocity_monotony": "ratio",
    "velocity_levels_apart": "count",
    "velocity_exponent": "ratio",
    "velocity_dead_zone": "n",
    "velocity_saturation": "n",
    "noise_floor": "dbfs",
}
"""Name to unit; ``protocols/MEASURES.md`` says how each is defined."""

COMPARED_UNITS: dict[str, str] = {
    "latency_median": "ms",
    "latency_sd": "ms",
    "latency_p95": "ms",
    "lost_share": "percent",
    "double_share": "percent",
    "velocity": "levels",
    "crosstalk_share": "percent",
    "crosstalk_level": "db",
    "stray_rate": "per_h",
    "resolvable_rate_95": "per_s",
    "flam_gap_95": "ms",
    "velocity_dead_zone": "n",
}
"""What two runs are compared in, each with the unit token that ends its margin's key."""

MEASURED_ON = {"resolvable": "roll", "flam": "flam", "velocity": "single"}
"""Pattern of the strokes that a measure comes from, by the beginning of its name."""
