"""The anti-roll bar against a three-dimensional frame solver. The only importer of PyNite.

Straight Euler-Bernoulli beams with torsion in millimetres and newtons; bearings are supports across the wire. What the
bar formula leaves out is put into the frame one thing at a time and given as a change of the rate.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from Pynite import FEModel3D

from explorer.model.car.parts import bar_end_rate, wire_moduli
from explorer.study.everything.evaluate import Progress
from explorer.validation.results import Comparison, ProofSection

TOLERANCE = 1e-6
"""Largest relative difference that passes for the stated idealisation."""

ARC_STEPS = 12
BEND_RADIUS_MM = 3.0
LINK_ANGLE_DEG = 15.0
TRAVEL_MM = 5.0
ROUND_SHEAR = 10.0 / 9.0
"""Shear coefficient of a round section (Timoshenko: area over shear area)."""


@dataclass(frozen=True)
class Wire:
    """A bent wire. Lengths in mm, `arm` along the arm and `lever` square to the bar's axis; material by name."""

    diameter: float
    straight: float
    span: float
    arm: float
    lever: float
    material: str = "A228"

    @property
    def splay(self) -> float:
        """How far an arm's end lies outside its bend. [mm]"""
        return math.sqrt(max(self.arm**2 - self.lever**2, 0.0))

    def rate(self) -> float:
        """The formula's end rate, ends moving oppositely. [N/m]"""
        moduli = wire_moduli(self.material, 1e-3 * self.diameter)
        return bar_end_rate(
            diameter=1e-3 * self.diameter,
            straight=1e-3 * self.straight,
            bearing_span=1e-3 * self.span,
            arm=1e-3 * self.arm,
            lever=1e-3 * self.lever,
            elastic_modulus=moduli.elastic,
            shear_modulus=moduli.shear,
        )

    def text(self) -> str:
        """The bar in words."""
        bearings = "bearings at the bends" if self.span == self.straight else f"bearings {self.span:g} mm apart"
        arms = "square arms" if self.arm == self.lever else "splayed arms"
        return f"{self.diameter:g} mm {self.material}, {bearings}, {arms}"


CORNERS = Wire(2.0, 80.0, 80.0, 25.0, 25.0)
WIRES: tuple[Wire, ...] = tuple(
    Wire(diameter, *shape)
    for shape in (
        (80.0, 80.0, 25.0, 25.0),
        (60.0, 56.0, 27.0, 25.0),
        (62.0, 30.0, 36.0, 33.0),
        (70.0, 20.0, 40.0, 25.0),
    )
    for diameter in (0.8, 1.2, 1.6, 2.0, 2.4)
) + (Wire(2.0, 80.0, 80.0, 25.0, 25.0, "17-7PH"),)
TYPICAL = (Wire(1.2, 60.0, 56.0, 27.0, 25.0), Wire(2.0, 60.0, 56.0, 36.0, 33.0))


def path_of(wire: Wire, bend_radius: float = 0.0) -> tuple[np.ndarray, int, int]:
    """Points along the wire [mm] (points, 3) from end to end, and the places of the two bearings among them.

    With a bend radius the corner is an arc tangent to bar and arm.
    """
    half = 0.5 * wire.straight
    end, corner = np.array([wire.lever, half + wire.splay, 0.0]), np.array([0.0, half, 0.0])
    along_arm = (end - corner) / np.linalg.norm(end - corner)
    along_bar = np.array([0.0, -1.0, 0.0])
    right = [end]
    if bend_radius > 0.0:
        inside = math.acos(float(np.clip(along_arm @ along_bar, -1.0, 1.0)))
        reach = bend_radius / math.tan(0.5 * inside)
        start, stop = corner + reach * along_arm, corner + reach * along_bar
        middle = along_arm + along_bar
        centre = corner + middle / np.linalg.norm(middle) * bend_radius / math.sin(0.5 * inside)
        first, last = start - centre, stop - centre
        turn = math.pi - inside
        for step in range(ARC_STEPS + 1):
            share = step / ARC_STEPS
            right.append(
                centre + (math.sin((1.0 - share) * turn) * first + math.sin(share * turn) * last) / math.sin(turn)
            )
    else:
        right.append(corner)
    bearing = np.array([0.0, 0.5 * wire.span, 0.0])
    if 0.5 * wire.span < right[-1][1] - 1e-9:
        right.append(bearing)
    place = len(right) - 1
    left = [point * np.array([1.0, -1.0, 1.0]) for point in right]
    points = np.array([*right, np.zeros(3), *left[::-1]])
    return points, place, len(points) - 1 - place


def frame_rate(
    wire: Wire,
    held: bool = False,
    hold_slope: bool = False,
    bend_radius: float = 0.0,
    link_angle: float = 0.0,
) -> float:
    """End rate by the frame solver. [N/m]

    Ends pushed oppositely by 1 N, or the far end `held`. `hold_slope` makes the bearings wide: they hold the wire's
    direction too. `link_angle` [deg] tips the links forward, force and movement along them.
    """
    points, first, second = path_of(wire, bend_radius)
    moduli = wire_moduli(wire.material, 1e-3 * wire.diameter)
    area = math.pi * wire.diameter**2 / 4.0
    second_moment = math.pi * wire.diameter**4 / 64.0
    frame = FEModel3D()
    frame.add_material("wire", 1e-6 * moduli.elastic, 1e-6 * moduli.shear, 0.3, 0.0)
    frame.add_section("round", area, second_moment, second_moment, 2.0 * second_moment)
    for number, (x, y, z) in enumerate(points):
        frame.add_node(f"n{number}", float(x), float(y), float(z))
    for number in range(len(points) - 1):
        frame.add_member(f"m{number}", f"n{number}", f"n{number + 1}", "wire", "round")
    last, middle = len(points) - 1, len(points) // 2
    frame.def_support(f"n{first}", True, True, True, hold_slope, False, hold_slope)
    frame.def_support(f"n{second}", True, False, True, hold_slope, False, hold_slope)
    push = np.array([math.sin(math.radians(link_angle)), 0.0, math.cos(math.radians(link_angle))])
    if held:
        frame.def_support(f"n{last}", False, False, True, False, False, False)
    else:
        frame.def_support(f"n{middle}", False, False, False, False, True, False)  # opposite ends: no turn in the middle
    for axis, part in zip(("FX", "FY", "FZ"), push, strict=True):
        if part != 0.0:
            frame.add_node_load("n0", axis, float(part))
            if not held:
                frame.add_node_load(f"n{last}", axis, -float(part))
    frame.analyze_linear()
    node = frame.nodes["n0"]
    moved = np.array([node.DX["Combo 1"], node.DY["Combo 1"], node.DZ["Combo 1"]])
    return 1000.0 / float(moved @ push)


def shear_share(wire: Wire) -> float:
    """Compliance that shear of the wire adds, as a share of the formula's: `sum of k V^2 L/(G A)` over arm, overhang
    and span (Timoshenko; Castigliano)."""
    moduli = wire_moduli(wire.material, 1e-3 * wire.diameter)
    area = math.pi * (1e-3 * wire.diameter) ** 2 / 4.0
    overhang = 0.5 * (wire.straight - wire.span)
    between = 2.0 * (wire.splay + overhang) / wire.span  # shear force between the bearings for 1 N at each end
    length = 1e-3 * (wire.arm + overhang + 0.5 * wire.span * between**2)
    return ROUND_SHEAR * length / (moduli.shear * area) * wire.rate()


def twist_share(wire: Wire) -> float:
    """How much stiffer the bar feels at `TRAVEL_MM` of end travel, the lever having swung: `t/(sin t cos t) - 1`,
    torsion only."""
    angle = math.asin(TRAVEL_MM / wire.lever)
    return angle / (math.sin(angle) * math.cos(angle)) - 1.0


LEFT_OUT: tuple[tuple[str, Callable[[Wire], float]], ...] = (
    ("shear of the wire", lambda wire: -shear_share(wire)),
    ("wide bearings that hold the wire's direction", lambda w: frame_rate(w, hold_slope=True) / w.rate() - 1.0),
    (
        f"bends of {BEND_RADIUS_MM:g} mm radius, not sharp",
        lambda w: frame_rate(w, bend_radius=BEND_RADIUS_MM) / w.rate() - 1.0,
    ),
    (
        f"links {LINK_ANGLE_DEG:g} degrees off square",
        lambda w: frame_rate(w, link_angle=LINK_ANGLE_DEG) / w.rate() - 1.0,
    ),
    (f"lever swung by {TRAVEL_MM:g} mm of travel", twist_share),
)


def bars_section(quick: bool = False, progress: Progress | None = None) -> ProofSection:
    """The bar formula against the frame, and what the idealisation leaves out."""
    wires = WIRES[::4] if quick else WIRES
    comparisons = []
    for done, wire in enumerate(wires, start=1):
        for held, share in ((False, 1.0), (True, 0.5)):
            ours = share * wire.rate()
            quantity = "rate with the other end held" if held else "rate, ends moving oppositely"
            comparisons.append(
                Comparison(wire.text(), quantity, "N/m", ours, frame_rate(wire, held=held), TOLERANCE * ours)
            )
        if progress is not None:
            progress("bars", done, len(wires))
    rows = tuple((what, *(f"{100.0 * change(wire):+.1f} %" for wire in TYPICAL)) for what, change in LEFT_OUT)
    worst = max(abs(one.difference / one.ours) for one in comparisons)
    return ProofSection(
        stem="proof_bars",
        title="Anti-roll bars",
        claim="The rate of a bent wire bar, ends moving oppositely and one end held, for the idealisation it states.",
        source="a three-dimensional frame of beam elements (PyNite); Castigliano's theorem, Shigley section 4-8",
        comparisons=tuple(comparisons),
        facts=(("largest difference", f"{worst:.0e} of the rate, over {len(wires)} bars"),),
        notes=(
            "Not computed: play in links and bearings (the first movement then does nothing), a chassis that gives "
            "under the bearings, and friction.",
        ),
        head=("left out of the formula, change of the rate", *(wire.text() for wire in TYPICAL)),
        rows=rows + (("play, flexible mounts, friction", *("not computed" for _ in TYPICAL)),),
    )
