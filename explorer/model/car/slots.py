"""Layout of the flat parameter vector that the model works on: one number per name, SI units.

A setup is a copy of the base vector in which each knob has overwritten the slots it owns; a scenario
then scales and shifts the slots that are not known for certain.
"""

from __future__ import annotations

_PER_END = (
    "track",
    "unsprung_mass",
    "wheel_radius",
    "spring_rate",
    "spring_motion_ratio",
    "bar_rate",
    "bar_motion_ratio",
    "tyre_rate",
    "ride_height",
    "ride_height_reference",
    "roll_centre_height",
    "roll_centre_rate",
    "droop",
    "camber",
    "camber_gain",
    "damping",
    "tyre_grip",
    "camber_gain_slope",
    "spring_motion_ratio_slope",
    "wheel_inertia",
    "tyre_crown",
    "tyre_side_compliance",
    "best_lean",
    "lean_width",
    "cornering_stiffness",
)

SLOTS: tuple[str, ...] = (
    "mass",
    "wheelbase",
    "front_weight_share",
    "cg_height",
    "ballast_mass",
    "ballast_shift",
    *(f"front_{name}" for name in _PER_END),
    *(f"rear_{name}" for name in _PER_END),
    "yaw_inertia",
    "roll_inertia",
    "caster",
    "kingpin_inclination",
    "ackermann_share",
    "front_drive_share",
    "front_brake_share",
    "chassis_compliance",
    "downforce_coefficient",
    "front_downforce_share",
    "load_sensitivity",
    "reference_load",
    "patch_shift",
    "patch_lean",
    "longitudinal_grip_ratio",
    "cornering_exponent",
    "camber_stiffness",
    "stiffness_grip_exponent",
    "chassis_half_width",
    "front_edge_offset",
    "rear_edge_offset",
    "grip",
    "front_grip_ratio",
    "roughness",
    "bump_height",
    "axle_law",
)

SLOT = {name: index for index, name in enumerate(SLOTS)}
"""Column of each parameter."""

BEAM, WISHBONE = 0.0, 1.0
"""Values of `axle_law`: axles that stay square to the road, and wheels on two links each."""

END_SLOTS = len(_PER_END)
"""The rear slots follow the front ones at this distance."""

PHASE_COLUMNS: tuple[str, ...] = (
    "radius",
    "speed",
    "grip_share",
    "longitudinal",
    "longitudinal_share",
    "weight",
    "is_turn_in",
)
"""Columns of the phase array: `speed` where > 0, else `grip_share` of the grip level; the longitudinal
acceleration is `longitudinal + longitudinal_share * grip * g`. SI."""
