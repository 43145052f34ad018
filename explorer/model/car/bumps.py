"""Rough ground: load variation, body acceleration and suspension travel of each end, in closed form.

White-noise vertical velocity under left and right wheel, uncorrelated: half the variance goes to heave and half to
roll. Closed forms of the quarter-car variances after Thompson, Vehicle System Dynamics 5 (1976), and Gobbi & Mastinu,
J. Sound Vib. 245 (2001) (from memory; checked against the Lyapunov equation in the tests).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.machine.compiled import inner, njit

REFERENCE_SPATIAL_FREQUENCY = 0.1
"""n_0 of ISO 8608. [cycle/m]"""


class BumpLevel(NamedTuple):
    """RMS figures of one end on a rough surface at a speed. SI."""

    load: float
    body_acceleration: float
    travel: float


@njit(cache=True, error_model="numpy")
def velocity_intensity(roughness, speed):
    """Intensity of the vertical velocity noise under one wheel, `S = 2 pi^2 n_0^2 G_d(n_0) v`
    (ISO 8608:2016, waviness 2). [m2/s]"""
    return 2.0 * np.pi**2 * REFERENCE_SPATIAL_FREQUENCY**2 * roughness * speed


@njit(cache=True, error_model="numpy")
def tyre_load_variance(intensity, rate, mass, unsprung, tyre_rate, damping):
    """Variance of the tyre load of a quarter car with sprung mass `mass` on `rate`. [N2]"""
    total = mass + unsprung
    kt, k, mu, c = tyre_rate, rate, unsprung, damping
    share = total / mass
    terms = k * k * share * share * total - 2.0 * k * kt * mu * share + kt * kt * mu
    return intensity / (2.0 * c) * (terms + kt * c * c * share * share)


@njit(cache=True, error_model="numpy")
def body_acceleration_variance(intensity, rate, mass, unsprung, tyre_rate, damping):
    """Variance of the sprung mass's vertical acceleration. [m2/s4]"""
    return 0.5 * intensity * (tyre_rate * damping + rate * rate * (mass + unsprung) / damping) / (mass * mass)


@njit(cache=True, error_model="numpy")
def travel_variance(intensity, mass, unsprung, damping):
    """Variance of the suspension travel. [m2]"""
    return intensity * (mass + unsprung) / (2.0 * damping)


@inner
def bump_level(axle, roll_inertia, sprung_mass):
    """Heave and roll together at one end: `k = k_w`, `M = m_s/2` and `k = k_w + k_b`, `M = m_s/2 (2 rho/t)^2`; on
    ground of intensity 1, from which they grow with its root."""
    s = 1.0
    heave_mass = 0.5 * axle.sprung_mass
    roll_mass = heave_mass * 4.0 * roll_inertia / (sprung_mass * axle.track * axle.track)
    mu, kt, c = axle.unsprung_mass, axle.tyre_rate, axle.damping
    heave_rate, roll_rate = axle.wheel_rate, axle.wheel_rate + axle.bar_rate
    load = tyre_load_variance(s, heave_rate, heave_mass, mu, kt, c) + tyre_load_variance(
        s, roll_rate, roll_mass, mu, kt, c
    )
    acceleration = body_acceleration_variance(s, heave_rate, heave_mass, mu, kt, c) + body_acceleration_variance(
        s, roll_rate, roll_mass, mu, kt, c
    )
    travel = travel_variance(s, heave_mass, mu, c) + travel_variance(s, roll_mass, mu, c)
    return BumpLevel(
        load=np.sqrt(0.5 * load), body_acceleration=np.sqrt(0.5 * acceleration), travel=np.sqrt(0.5 * travel)
    )


@inner
def level_at(level, roughness, speed):
    """The figures of `bump_level` on a surface at a speed."""
    root = np.sqrt(velocity_intensity(roughness, speed))
    return BumpLevel(
        load=root * level.load, body_acceleration=root * level.body_acceleration, travel=root * level.travel
    )


@njit(cache=True, error_model="numpy")
def bump_step(wheel_rate, bar_rate, tyre_rate, height):
    """Load step as one wheel meets a bump of `height`: `(k_w + k_b/2) h` in series with the tyre. [N]"""
    rate = wheel_rate + 0.5 * bar_rate
    return rate * tyre_rate / (rate + tyre_rate) * height
