"""Plausible 1:10 cars with double wishbones at both ends, as front-view hardpoints, drawn by seed.

The ranges are common practice, no source: what a ruler and scales give on such cars. Ends are drawn again until their
roll centre, camber gain and reach are plausible, so the two ends of a car are independent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from explorer.domain.errors import ModelError
from explorer.domain.space import FloatArray
from explorer.validation.wishbone.kinetics import CAR, END, GRAVITY, linkage, rest_spring_force

_DEG = math.pi / 180.0
ROLL_CENTRE = (0.005, 0.030)
"""Height at rest. [m]"""
CAMBER_GAIN = (100.0 * _DEG, 250.0 * _DEG)
"""Tangent at rest. [rad/m]"""
REACH = 0.022
"""Bump travel that the arms of every end must allow. [m]"""
WHEEL_RATE, BAR_RATE, TYRE_RATE = (120.0, 600.0), (50.0, 2500.0), (2500.0, 6000.0)
"""Per wheel; the bar in opposite motion. [N/m]"""
BARLESS_SHARE = 0.1
EVEN = 2.0
"""A bar's ratio changes with travel by no more than this share of itself. [1/m]"""
UNEVEN, REACHED = 0.05, 0.006
"""A bar's ratio stays within this share of itself from droop to so much bump: links are set about square. [-, m]"""
MOST_DRAWS = 5000
BRAKING, POWER = -2.5, 3.0
"""Longitudinal acceleration of the drawn states lies between these. [m/s2]"""

Point = tuple[float, float]


@dataclass(frozen=True)
class End:
    """One end of a car at rest; points (u outward, v up from the road). SI.

    `camber` is negative with the top inward. `spring_arm`, `bar_arm` are on the lower arm; the bar's lever is
    `bar_lever` long, level at rest, swings in the side view and ends at `bar_tip`. `free_radius` of the tyre is without
    load. `droop` is travel of the wheel to the stop.
    """

    lower_inner: Point
    lower_outer: Point
    upper_inner: Point
    upper_outer: Point
    centre: Point
    spring_arm: Point
    spring_body: Point
    bar_arm: Point
    bar_tip: Point
    bar_lever: float
    camber: float
    free_radius: float
    crown: float
    tyre_rate: float
    unsprung: float
    wheel_inertia: float
    droop: float
    spring_rate: float
    bar_torsion: float

    def row(self, load: float) -> FloatArray:
        """The end as `kinetics` takes it, its coil-over set to hold it at rest under a load of one wheel [N]."""
        points = (
            self.lower_inner, self.lower_outer, self.upper_inner, self.upper_outer, self.centre, self.spring_arm,
            self.spring_body, self.bar_arm, self.bar_tip,
        )  # fmt: skip
        numbers = (
            self.bar_lever, -self.camber, self.free_radius, self.crown, self.tyre_rate, self.unsprung,
            self.wheel_inertia / self.centre[1], self.droop, self.spring_rate, 0.0, self.bar_torsion,
        )  # fmt: skip
        row = np.array([value for point in points for value in point] + list(numbers))
        length = linkage(row, 0.0)[6]
        row[END.index("free_length")] = length + rest_spring_force(row, load) / self.spring_rate
        return row


@dataclass(frozen=True)
class Car:
    """A whole car at rest. SI; `cg_height` of all of it, `front_share` of its weight, shares of drive and brake at the
    front."""

    mass: float
    wheelbase: float
    front_share: float
    cg_height: float
    front_drive_share: float
    front_brake_share: float
    front: End
    rear: End

    @property
    def ends(self) -> tuple[End, End]:
        """Front and rear."""
        return self.front, self.rear

    @property
    def weights(self) -> tuple[float, float]:
        """Static axle loads. [N]"""
        weight = self.mass * GRAVITY
        return weight * self.front_share, weight * (1.0 - self.front_share)

    @property
    def sprung(self) -> tuple[float, float]:
        """Sprung mass that each axle carries. [kg]"""
        front, rear = (w / GRAVITY - 2.0 * end.unsprung for w, end in zip(self.weights, self.ends, strict=True))
        return front, rear

    @property
    def sprung_height(self) -> float:
        """Height of the sprung mass's centre. [m]"""
        below = sum(2.0 * end.unsprung * end.centre[1] for end in self.ends)
        return (self.mass * self.cg_height - below) / sum(self.sprung)

    def arrays(self, longitudinal: float = 0.0, couple: float = 0.0) -> tuple[FloatArray, FloatArray]:
        """(ends (2, END), car (CAR,)) as `kinetics` takes them, at a longitudinal acceleration [m/s2] and with a roll
        couple on the body [N m]."""
        rows = np.stack([end.row(0.5 * weight) for end, weight in zip(self.ends, self.weights, strict=True)])
        sprung = sum(self.sprung)
        share = self.front_drive_share if longitudinal > 0.0 else self.front_brake_share
        force = self.mass * longitudinal
        car = np.array(
            [
                sprung,
                self.wheelbase * self.sprung[1] / sprung,
                self.sprung_height,
                self.wheelbase,
                self.mass,
                longitudinal,
                force * share,
                force * (1.0 - share),
                couple,
            ]
        )
        assert len(car) == len(CAR)
        return rows, car

    def raised(self, front: float, rear: float) -> Car:
        """The car with its ride heights changed by spring seats. [m]"""
        shares = [sprung / sum(self.sprung) for sprung in self.sprung]
        ends = [
            raised_end(end, dh, 0.5 * weight)
            for end, dh, weight in zip(self.ends, (front, rear), self.weights, strict=True)
        ]
        # whole-car height such that the sprung centre rises by its share of both ends
        height = self.sprung_height + shares[0] * front + shares[1] * rear
        below = sum(2.0 * end.unsprung * end.centre[1] for end in ends)
        return replace(self, front=ends[0], rear=ends[1], cg_height=(height * sum(self.sprung) + below) / self.mass)


def raised_end(end: End, raised: float, load: float) -> End:
    """An end whose body stands higher by `raised` [m], the wheel on the road under a load of one wheel [N]: its rest is
    further down its travel. Raises ModelError where the arms or the droop do not reach."""
    row = end.row(load)
    ring = end.free_radius - end.crown
    squash = load / end.tyre_rate

    def gap(turn: float) -> float:
        _, v, psi, *_ = linkage(row, turn)
        return v + raised - (ring * math.cos(psi - end.camber) + end.crown - squash)

    if end.droop - raised <= 0.0:
        raise ModelError("an end stands on its droop stop")
    arm = end.lower_outer[0] - end.lower_inner[0]
    turn = float(brentq(gap, -raised / arm - 0.2, -raised / arm + 0.2, xtol=1e-15))
    u, v, psi, *_ = linkage(row, turn)
    cp, sp, cq, sq = math.cos(psi), math.sin(psi), math.cos(turn), math.sin(turn)

    def on_arm(point: Point) -> Point:
        x, y = point[0] - end.lower_inner[0], point[1] - end.lower_inner[1]
        return end.lower_inner[0] + x * cq - y * sq, end.lower_inner[1] + x * sq + y * cq + raised

    def up(point: Point) -> Point:
        return point[0], point[1] + raised

    lower = on_arm(end.lower_outer)
    x, y = end.upper_outer[0] - end.lower_outer[0], end.upper_outer[1] - end.lower_outer[1]
    # the bar's link is made longer or shorter so that its lever stands level again
    return replace(
        end,
        lower_inner=up(end.lower_inner),
        lower_outer=lower,
        upper_inner=up(end.upper_inner),
        upper_outer=(lower[0] + x * cp - y * sp, lower[1] + x * sp + y * cp),
        centre=(u, v + raised),
        spring_arm=on_arm(end.spring_arm),
        spring_body=up(end.spring_body),
        bar_arm=on_arm(end.bar_arm),
        bar_tip=up(end.bar_tip),
        camber=end.camber - psi,
        droop=end.droop - (end.centre[1] - v),
    )


def instant_centre(end: End) -> Point:
    """Where the lines of both arms meet at rest. [m]"""
    (a, b), (c, d) = end.lower_inner, end.lower_outer
    (e, f), (g, h) = end.upper_inner, end.upper_outer
    across = (c - a) * (h - f) - (d - b) * (g - e)
    share = ((e - a) * (h - f) - (f - b) * (g - e)) / across if across != 0.0 else 1e9
    return a + share * (c - a), b + share * (d - b)


def contact(end: End) -> float:
    """Half the track: where the middle of the contact is at rest. [m]"""
    return end.centre[0] + (end.free_radius - end.crown) * math.sin(-end.camber)


def _draw(rng: np.random.Generator, load: float) -> End:
    """One end, plausible or not."""
    half, radius = rng.uniform(0.1, 0.125), rng.uniform(0.041, 0.045)
    camber, crown = rng.uniform(-3.0, 0.0) * _DEG, rng.uniform(0.025, 0.040)
    tyre = rng.uniform(*TYRE_RATE)
    ring = (radius + load / tyre - crown) / math.cos(camber)  # rest height is `radius`
    lower = half - rng.uniform(0.016, 0.024), radius - rng.uniform(0.009, 0.016)
    upper = lower[0] - rng.uniform(-0.001, 0.006), radius + rng.uniform(0.007, 0.016)
    arm, link = rng.uniform(0.050, 0.075), rng.uniform(0.030, 0.062)
    inner = lower[0] - arm, lower[1] + rng.uniform(-0.004, 0.008)
    reach, drop = rng.uniform(0.55, 0.85), rng.uniform(0.002, 0.005)
    seat = inner[0] + reach * arm, inner[1] + reach * (lower[1] - inner[1]) + drop
    grip = rng.uniform(0.35, 0.7)
    hook = inner[0] + grip * arm, inner[1] + grip * (lower[1] - inner[1]) + 0.003
    unsprung = rng.uniform(0.05, 0.09)
    end = End(
        lower_inner=inner,
        lower_outer=lower,
        upper_inner=(upper[0] - link, upper[1] - rng.uniform(-0.004, 0.012)),
        upper_outer=upper,
        centre=(half - ring * math.sin(-camber), radius),
        spring_arm=seat,
        spring_body=(seat[0] - rng.uniform(0.008, 0.035), seat[1] + rng.uniform(0.060, 0.085)),
        bar_arm=hook,
        bar_tip=(hook[0], hook[1] + rng.uniform(0.018, 0.030)),
        bar_lever=rng.uniform(0.018, 0.030),
        camber=camber,
        free_radius=ring + crown,
        crown=crown,
        tyre_rate=tyre,
        unsprung=unsprung,
        wheel_inertia=rng.uniform(0.25, 0.45) * unsprung * radius**2,
        droop=rng.uniform(0.006, 0.014),
        spring_rate=1.0,
        bar_torsion=0.0,
    )
    end = replace(end, bar_tip=(_even_tip(end, load, rng.uniform(-EVEN, EVEN)), end.bar_tip[1]))
    # rates at the wheel are drawn, spring and bar follow
    rate, bar = rng.uniform(*WHEEL_RATE), math.exp(rng.uniform(*np.log(BAR_RATE)))
    row = end.row(load)
    _, _, _, _, dv, _, _, dlength, _, dbeta = linkage(row, 0.0)
    bare = rng.random() < BARLESS_SHARE
    return replace(
        end,
        spring_rate=rate / (dlength / dv) ** 2,
        bar_torsion=0.0 if bare else 0.5 * bar / (dbeta / dv) ** 2,
    )


def _even_tip(end: End, load: float, wanted: float) -> float:
    """Where the bar's lever ends sideways so that its ratio changes with travel by a given share of itself [1/m]: a
    builder sets the link about square. Not a number where there is none."""

    def uneven(u: float) -> float:
        row = replace(end, bar_tip=(u, end.bar_tip[1])).row(load)
        ratios = [pose[9] / pose[4] for pose in (linkage(row, turn) for turn in (-1e-3, 0.0, 1e-3))]
        return float((ratios[2] - ratios[0]) / (2e-3 * linkage(row, 0.0)[4]) / ratios[1]) - wanted

    low, high = end.bar_arm[0] - 0.012, end.bar_arm[0] + 0.012
    return float(brentq(uneven, low, high)) if uneven(low) * uneven(high) < 0.0 else math.nan


def plausible(end: End, load: float) -> bool:
    """Whether roll centre and camber gain lie in their ranges and the arms reach from droop to full bump."""
    if end.lower_inner[0] < 0.012 or end.upper_inner[0] < 0.012:
        return False
    u, v = instant_centre(end)
    half = contact(end)
    height = half * v / (half - u)
    row = end.row(load)
    pose = linkage(row, 0.0)
    gain = pose[5] / pose[4]
    if not (ROLL_CENTRE[0] <= height <= ROLL_CENTRE[1] and CAMBER_GAIN[0] <= gain <= CAMBER_GAIN[1]):
        return False
    arm = end.lower_outer[0] - end.lower_inner[0]
    turns = np.linspace(-1.5 * (end.droop + 0.004) / arm, 1.3 * REACH / arm, 40)
    poses = np.array([linkage(row, float(turn)) for turn in turns])
    if not np.isfinite(poses).all() or (np.diff(poses[:, 1]) <= 0.0).any():
        return False
    travel = poses[:, 1] - end.centre[1]
    ratios = (poses[:, 9] / poses[:, 4])[(travel > -end.droop) & (travel < REACHED)] / (pose[9] / pose[4])
    if np.abs(ratios - 1.0).max() > UNEVEN:
        return False
    return bool(travel[0] < -end.droop - 0.002 and travel[-1] > REACH and np.abs(poses[:, 2]).max() < 0.2)


def drawn_end(rng: np.random.Generator, load: float) -> End:
    """A plausible end for a static load of one wheel [N]. Raises ModelError where none comes up."""
    for _ in range(MOST_DRAWS):
        end = _draw(rng, load)
        if plausible(end, load):
            return end
    raise ModelError(f"none of {MOST_DRAWS} drawn ends is plausible")


def drawn_cars(seed: int, count: int) -> tuple[Car, ...]:
    """Plausible cars, each of its own seed: rear- and four-wheel drive half and half."""
    cars = []
    for number in range(count):
        rng = np.random.default_rng(np.random.SeedSequence((seed, number)))
        mass, share = rng.uniform(1.4, 1.8), rng.uniform(0.38, 0.50)
        driven = 0.0 if rng.random() < 0.5 else 0.5
        cars.append(
            Car(
                mass=mass,
                wheelbase=rng.uniform(0.27, 0.29),
                front_share=share,
                cg_height=rng.uniform(0.040, 0.060),
                front_drive_share=driven,
                front_brake_share=driven,
                front=drawn_end(rng, 0.5 * mass * share * GRAVITY),
                rear=drawn_end(rng, 0.5 * mass * (1.0 - share) * GRAVITY),
            )
        )
    return tuple(cars)
