"""Constants of a setup: masses, heights, rates and geometry of both ends at their actual ride heights. SI."""

from __future__ import annotations

from dataclasses import dataclass

G = 9.80665
ENDS = ("front", "rear")


@dataclass(frozen=True)
class Axle:
    """One axle of the car standing still.

    `sprung_height` is the height of the whole sprung mass's centre above the ground. `preload` is what a spring puts
    on its wheel. The last group serves the law of double wishbones alone: `path_slope` and `path_curve` say how the
    contact moves sideways with bump, `lean_in` is the static lean with the top inward, `crown` the crown radius of the
    tyre less its squash, `spin` the spin inertia over the wheel's radius.
    """

    law: str
    track: float
    wheel_rate: float
    bar_rate: float
    tyre_rate: float
    sprung: float
    unsprung: float
    radius: float
    roll_centre: float
    sprung_height: float
    droop: float
    camber: float
    camber_gain: float
    damping: float
    static_load: float
    ride_height: float
    grip: float
    preload: float
    rate_slope: float = 0.0
    camber_slope: float = 0.0
    path_slope: float = 0.0
    path_curve: float = 0.0
    lean_in: float = 0.0
    crown: float = 0.0
    spin: float = 0.0
    side_compliance: float = 0.0

    @property
    def arm(self) -> float:
        """Height of the sprung centre above this axle's roll centre."""
        return self.sprung_height - self.roll_centre

    @property
    def tilted(self) -> float:
        """What static lean adds per newton on the wheel: (r - p) c1 g0."""
        return (self.radius - self.crown) * self.camber_gain * self.lean_in


@dataclass(frozen=True)
class Car:
    """Both axles and the body."""

    p: dict[str, float]
    law: str
    front: Axle
    rear: Axle
    mass: float
    wheelbase: float
    front_weight: float
    sprung: float
    front_share: float
    cg_height: float
    sprung_height: float
    arm: float

    @property
    def axles(self) -> tuple[Axle, Axle]:
        return self.front, self.rear

    @property
    def shares(self) -> tuple[float, float]:
        return self.front_share, 1.0 - self.front_share

    @property
    def pitch_height(self) -> float:
        """Height by which a pitched body carries load forwards: over the roll axis of beams, over the wheels' centres
        on links, for those stay where they are as the body pitches."""
        if self.law == "beam":
            return self.arm
        return self.sprung_height - 0.5 * (self.front.radius + self.rear.radius)


def _axle(p: dict[str, float], law: str, end: str, weight: float, sprung: float, sprung_height: float) -> Axle:
    """An end with its ride height changed by `dh`: the wheels then stand `dh` deeper in droop."""

    def of(name: str) -> float:
        return p[f"{end}_{name}"]

    dh = of("ride_height") - of("ride_height_reference")
    grip = p["grip"] * of("tyre_grip") * (p["front_grip_ratio"] if end == "front" else 1.0)
    radius, unsprung, tyre_rate = of("wheel_radius"), of("unsprung_mass"), of("tyre_rate")
    roll_centre = of("roll_centre_height") + of("roll_centre_rate") * dh
    common = {
        "law": law,
        "track": of("track"),
        "bar_rate": of("bar_rate") * of("bar_motion_ratio") ** 2,
        "tyre_rate": tyre_rate,
        "sprung": sprung,
        "unsprung": unsprung,
        "radius": radius,
        "roll_centre": roll_centre,
        "sprung_height": sprung_height,
        "droop": max(of("droop") - dh, 0.0),
        "damping": of("damping"),
        "static_load": weight,
        "ride_height": of("ride_height"),
        "grip": grip,
    }
    if law == "beam":
        return Axle(
            **common,
            wheel_rate=of("spring_rate") * of("spring_motion_ratio") ** 2,
            camber=of("camber") + of("camber_gain") * dh,
            camber_gain=of("camber_gain"),
            preload=0.5 * sprung * G,
        )
    slope = of("camber_gain_slope")
    camber = of("camber") + of("camber_gain") * dh - 0.5 * slope * dh**2
    gain = of("camber_gain") - slope * dh
    crown = of("tyre_crown") - weight / (2.0 * tyre_rate)
    preload = 0.5 * weight * (1.0 - (radius - crown) * gain * camber) - unsprung * G
    ratio_slope = of("spring_motion_ratio_slope")
    ratio = of("spring_motion_ratio") - ratio_slope * dh
    return Axle(
        **common,
        wheel_rate=of("spring_rate") * ratio**2 + preload * ratio_slope / ratio,
        rate_slope=3.0 * of("spring_rate") * ratio * ratio_slope,
        camber=camber,
        camber_gain=gain,
        camber_slope=slope,
        preload=preload,
        path_slope=2.0 * roll_centre / of("track"),
        path_curve=-2.0 * of("roll_centre_rate") / of("track"),
        lean_in=-camber,
        crown=crown,
        spin=of("wheel_inertia") / radius,
        side_compliance=of("tyre_side_compliance"),
    )


def make_car(p: dict[str, float], law: str = "wishbone") -> Car:
    """Masses, heights and rates of a setup; ride height changes move the sprung mass by its share at that end."""
    m, length = p["mass"], p["wheelbase"]
    w_f = p["front_weight_share"] + p["ballast_mass"] * p["ballast_shift"] / (m * length)
    weights = [w_f, 1.0 - w_f]
    unsprung = [2.0 * p[f"{end}_unsprung_mass"] for end in ENDS]
    low = sum(mass * p[f"{end}_wheel_radius"] for mass, end in zip(unsprung, ENDS, strict=True))
    sprung_at = [m * weight - mass for weight, mass in zip(weights, unsprung, strict=True)]
    sprung = sum(sprung_at)
    shares = [mass / sprung for mass in sprung_at]
    raised = [p[f"{end}_ride_height"] - p[f"{end}_ride_height_reference"] for end in ENDS]
    heave = shares[0] * raised[0] + shares[1] * raised[1]
    h_s = (m * p["cg_height"] - low) / sprung + heave
    front, rear = (_axle(p, law, end, m * G * weights[i], sprung_at[i], h_s) for i, end in enumerate(ENDS))
    return Car(
        p=p,
        law=law,
        front=front,
        rear=rear,
        mass=m,
        wheelbase=length,
        front_weight=w_f,
        sprung=sprung,
        front_share=shares[0],
        cg_height=p["cg_height"] + sprung / m * heave,
        sprung_height=h_s,
        arm=shares[0] * front.arm + shares[1] * rear.arm,
    )
