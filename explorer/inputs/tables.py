"""What the tables of the three input files may hold: key, kind of unit, range, and how to measure it.

Ranges are wide: they catch slips of unit, not bad taste.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated, Any

from pydantic import Field, create_model

from explorer.domain.unknowns import FIGURES, LAWS, UNLIKE_ENDS
from explorer.inputs.assumed import ASSUMED, TORSION_HIGH, TORSION_LOW, TYRE_KEYS, AssumedKey
from explorer.inputs.fields import (
    Choices,
    Clock,
    FileName,
    Flag,
    Given,
    Label,
    Labels,
    Material,
    Number,
    Numbers,
    Place,
    Positive,
    Quantity,
    Remark,
    Table,
    Text,
    Title,
    Word,
    Worded,
    one_of,
    whole,
)
from explorer.model.car.parts import WIRE_MATERIALS

TYPICAL = "typical"
"""In a car file in place of a number nobody measured: what `typical.py` says of such cars."""


def or_typical(quantity: Quantity) -> Worded:
    """The same quantity, or the word in its place."""
    return Worded(quantity.kind, quantity.low, quantity.high, quantity.how, word=TYPICAL)


def _measured(kind: str, low: float, high: float, how: str) -> Worded:
    return or_typical(Quantity(kind, low, high, how))


RATE = Quantity("rate", 10.0, 50_000.0, "hang or press a known weight and read the movement")
END_RATE = Quantity("rate", 1.0, 1e6, "push one end up and the other down by the same force and read the movement")
DAMPING = Quantity("damping", 0.05, 500.0)
WIRE = Quantity("length", 0.0001, 0.01, "a caliper or micrometer across the wire")
RIDE_HEIGHT = Quantity("length", 0.001, 0.1, "a ride height gauge under the chassis at the axle, car ready to race")
CAMBER = Quantity("angle", math.radians(-15), math.radians(15), "a camber gauge; minus when the tops lean inward")
DROOP = Quantity(
    "length", 0.0, 0.06, "wheel travel: how far the wheel drops in the chassis from ride height to the stop, lifted up"
)
DROOP_LIFT = Quantity(
    "length", 0.0, 0.08, "lift the chassis over this axle: how far it rises before the tyre leaves the ground"
)
MOTION_RATIO = Quantity("number", 0.05, 3.0, "damper travel over wheel travel about ride height, both with a ruler")
MOTION_RATIO_DROOP = Quantity(
    "number", 0.05, 3.0, "the same with the wheel hanging in droop, where spring_motion_ratio_droop_at_mm says"
)
ROLL_CENTRE = Quantity("length", -0.05, 0.1, "draw the arms from behind to scale and join the two instant centres")
CASTER = Quantity("angle", 0.0, math.radians(45), "a protractor on the kingpin, from the side")
BALLAST_SHIFT = Quantity("length", -0.5, 0.5, "forward of the place where the car was weighed")
TYRE_RATE = Quantity("rate", 200.0, 100_000.0, "press one tyre with a known weight on a scale and read the squash")
RADIUS = Quantity("length", 0.01, 0.15, "from the ground to the middle of the axle, car standing")


class CarHead(Table):
    """[car]"""

    name: Text = Field(description="what the team calls this car")
    drive: Annotated[str, one_of("rear", "front", "all")] = Field(description='"rear", "front" or "all" wheels driven')


class Suspension(Table):
    """[suspension]"""

    axle: Annotated[str, one_of("wishbone", "beam")] = Field(
        "wishbone", description='"wishbone": wheels on two arms each; "beam": wheels that stay square to the road'
    )


class Mass(Table):
    """[mass]"""

    total: Annotated[float, _measured("mass", 0.2, 20.0, "kitchen scales, car ready to race")]
    front_weight_share: Annotated[
        float, _measured("share", 0.01, 0.99, "one scale under each end: the front reading over the sum")
    ]
    cg_height: Annotated[
        float, _measured("length", 0.005, 0.3, "lift one end by a known height and read the other end's scale")
    ]
    ballast: Annotated[float, Quantity("mass", 0.0, 5.0, "the movable weight alone, on the scales")] = 0.0


class BarGeometry(Table):
    """[front.bar], [rear.bar]: the shape of the bars of one end."""

    straight: Annotated[float, _measured("length", 0.005, 0.4, "between the two bends")]
    bearing_span: Annotated[float, _measured("length", 0.002, 0.4, "between the middles of the two bearings")]
    arm: Annotated[float, _measured("length", 0.003, 0.2, "from the bend to the link, along the arm")]
    lever: Annotated[float, _measured("length", 0.003, 0.2, "from the link square to the bar's axis")]
    material: Material = Field("A228", description=f"one of {', '.join(WIRE_MATERIALS)}")


class LinksTable(Table):
    """[front.links], [rear.links]: the front view of one side, car at ride height, as [y, z]: y from the car's middle,
    z over the road."""

    lower_inner: Annotated[tuple[float, float], Place("length", -0.1, 0.6, "pivot of the lower arm on the chassis")]
    lower_outer: Annotated[tuple[float, float], Place("length", -0.1, 0.6, "outer joint of the lower arm")]
    upper_inner: Annotated[tuple[float, float], Place("length", -0.1, 0.6, "pivot of the upper arm on the tower")]
    upper_outer: Annotated[tuple[float, float], Place("length", -0.1, 0.6, "outer joint of the upper arm")]
    wheel_centre: Annotated[
        tuple[float, float], Place("length", 0.005, 0.6, "middle of the tyre's width, on the height of the axle")
    ]
    shock_inner: Annotated[tuple[float, float] | None, Place("length", -0.1, 0.6, "the shock's end on the tower")] = (
        None
    )
    shock_outer: Annotated[
        tuple[float, float] | None, Place("length", -0.1, 0.6, "the shock's end on the lower arm")
    ] = None


class End(Table):
    """[front], [rear]"""

    track: Annotated[float, _measured("length", 0.05, 1.0, "between the middles of the two tyres on the ground")]
    unsprung_mass: Annotated[
        float, _measured("mass", 0.005, 2.0, "per wheel: wheel, tyre, hub and half of the arm and shaft on the scales")
    ]
    wheel_radius: Annotated[float, or_typical(RADIUS)]
    ride_height: Annotated[float, or_typical(RIDE_HEIGHT)]
    spring_motion_ratio: Annotated[float | None, or_typical(MOTION_RATIO)] = None
    spring_motion_ratio_droop: Annotated[float | None, MOTION_RATIO_DROOP] = None
    spring_motion_ratio_droop_at: Annotated[
        float, Quantity("length", 0.001, 0.05, "how far in droop the motion ratio was read again")
    ] = 0.005
    bar_motion_ratio: Annotated[
        float | None, _measured("number", 0.02, 3.0, "travel of the bar's end over wheel travel, both with a ruler")
    ] = None
    roll_centre_height: Annotated[float | None, or_typical(ROLL_CENTRE)] = None
    droop: Annotated[float | None, or_typical(DROOP)] = None
    droop_lift: Annotated[float | None, DROOP_LIFT] = None
    camber: Annotated[float, or_typical(CAMBER)]
    tyre_rate: Annotated[float | None, or_typical(TYRE_RATE)] = None
    tyre_squash: Annotated[float | None, Quantity("length", 0.0001, 0.03, "how far one tyre gives")] = None
    tyre_squash_weight: Annotated[float | None, Quantity("mass", 0.02, 50.0, "the weight pressing it")] = None
    bar: BarGeometry | None = None
    links: LinksTable | None = None

    @classmethod
    def nested(cls) -> dict[str, type[Table]]:
        return {"bar": BarGeometry, "links": LinksTable}


class Geometry(Table):
    """[geometry]"""

    wheelbase: Annotated[float, _measured("length", 0.05, 1.5, "between the front and rear axle, mean of both sides")]


class Steering(Table):
    """[steering]"""

    caster: Annotated[float, or_typical(CASTER)]
    kingpin_inclination: Annotated[
        float, _measured("angle", math.radians(-5), math.radians(40), "a protractor on the kingpin, from the front")
    ]


class Underside(Table):
    """[underside]"""

    half_width: Annotated[float, _measured("length", 0.005, 0.5, "half of the chassis plate's width")]
    front_edge_offset: Annotated[
        float, _measured("length", -0.3, 0.5, "how far the plate's front edge is ahead of the front axle; minus behind")
    ]
    rear_edge_offset: Annotated[
        float, _measured("length", -0.3, 0.5, "how far the plate's rear edge is behind the rear axle; minus ahead")
    ]


class Bar(Table):
    """[[parts.front_bars]], [[parts.rear_bars]]"""

    label: Label = Field(description="what the team calls this part")
    none: Flag = False
    wire: Annotated[float | None, WIRE] = None
    material: Material | None = None
    measured_rate: Annotated[float | None, END_RATE] = None


class Spring(Table):
    """[[parts.front_springs]], [[parts.rear_springs]]"""

    label: Label = Field(description="what the team calls this part")
    rate: Annotated[float | None, RATE] = None
    wire: Annotated[float | None, WIRE] = None
    mean_diameter: Annotated[
        float | None, Quantity("length", 0.002, 0.1, "outside diameter less one wire thickness")
    ] = None
    active_coils: Annotated[float | None, Quantity("number", 0.5, 100.0, "coils that are free to move")] = None
    material: Material | None = None


class Damper(Table):
    """[[parts.front_dampers]], [[parts.rear_dampers]]"""

    label: Label = Field(description="what the team calls this part")
    damping: Annotated[float, DAMPING]


class Tyre(Table):
    """[[parts.front_tyres]], [[parts.rear_tyres]]"""

    label: Label = Field(description="what the team calls this part")
    grip_factor: Annotated[float, Quantity("number", 0.1, 3.0, "1 for the tyre that the surface's grip was judged on")]
    rate: Annotated[float | None, TYRE_RATE] = None
    radius: Annotated[float | None, RADIUS] = None


class Fitted(Table):
    """[fitted]: the parts on the car where a study does not vary them."""

    front_bar: Label | None = None
    rear_bar: Label | None = None
    front_spring: Label | None = None
    rear_spring: Label | None = None
    front_damper: Label | None = None
    rear_damper: Label | None = None
    front_tyre: Label | None = None
    rear_tyre: Label | None = None


HOW: dict[str, str] = {
    "camber_gain": (
        "top inward per bump, the tangent at ride height; beside camber_gain_droop the chord: "
        "change of camber from ride height to 10 mm of bump, over 10"
    ),
    "camber_gain_droop": "top outward per droop, the chord: change from ride height to 10 mm of droop, over 10",
    "camber_gain_slope": "change of the camber gain per bump; two readings, in bump and in droop, give it too",
    "spring_motion_ratio_slope": "change of the motion ratio per bump; spring_motion_ratio_droop gives it too",
    "wheel_inertia": "of one wheel with all that turns with it, about its axle",
    "tyre_crown": "radius of the tread across its width: the lid or coin that fits it, half its diameter",
    "tyre_side_compliance": "sideways give of one tyre; tyre_side_rate gives it too",
    "tyre_side_rate": "one tyre pressed on the ground by what it carries, its rim pulled sideways: force over movement",
    "roll_centre_rate": "change of the roll centre's height over the road per change of ride height",
}
"""How to measure what may stand under [assumed], by the stem without its end."""


def _with_spreads(keys: tuple[AssumedKey, ...]) -> dict[str, Any]:
    fields: dict[str, Any] = {}
    for key in keys:
        how = HOW.get(key.stem.removeprefix("front_").removeprefix("rear_"), "")
        fields[key.stem] = (Annotated[float | None, Quantity(key.kind, key.low, key.high, how)], None)
        width = key.high - key.low
        fields[f"{key.stem}_spread"] = (Annotated[float | None, Quantity(key.kind, 0.0, width)], None)
    return fields


def _optional(keys: tuple[AssumedKey, ...]) -> dict[str, Any]:
    shared = [replace(key, stem=stem) for key in keys for stem in UNLIKE_ENDS if key.stem == f"front_{stem}"]
    fields = _with_spreads((*keys, *shared))
    for end in ("front", "rear"):
        gain = next(key for key in keys if key.stem == f"{end}_camber_gain")
        in_droop = Quantity(gain.kind, gain.low, gain.high, HOW["camber_gain_droop"])
        fields[f"{end}_camber_gain_droop"] = (Annotated[float | None, in_droop], None)
        side = Quantity("rate", 200.0, 1e6, HOW["tyre_side_rate"])
        fields[f"{end}_tyre_side_rate"] = (Annotated[float | None, side], None)
    torsion = Quantity("torsion", TORSION_LOW, TORSION_HIGH)
    fields["chassis_torsion_rate"] = (Annotated[float | None, torsion], None)
    return fields


Assumed: type[Table] = create_model("Assumed", __base__=Table, **_optional(ASSUMED))
"""[assumed] of a car file: any of the keys of `explorer.inputs.assumed.ASSUMED`, each with an optional spread."""


class TyreHead(Table):
    """[tyre]"""

    name: Text = Field(description="what the team calls this tyre")


Constants: type[Table] = create_model("Constants", __base__=Table, **_with_spreads(TYRE_KEYS))
"""[constants] of a tyre file: any of the keys of `explorer.inputs.assumed.TYRE_KEYS`, each with an optional spread."""

_remarks: dict[str, Any] = {key.stem: (Remark | None, None) for key in TYRE_KEYS}
Sources: type[Table] = create_model("Sources", __base__=Table, **_remarks)
"""[sources] of a tyre file: where each constant comes from, by its name without the unit."""

BALANCED = "balanced"
"""In place of a ratio of grip: such that the setup liked at home is as balanced here."""


class SurfaceHead(Table):
    """[surface]"""

    name: Text = Field(description="what the team calls this surface")
    grip: Annotated[float, Quantity("number", 0.05, 5.0, "the tightest circle held at a known speed: v^2/(R g)")]
    grip_spread: Annotated[float | None, Quantity("number", 0.0, 2.0)] = None
    front_grip_ratio: Annotated[
        float | str,
        Worded("number", 0.3, 3.0, f'or "{BALANCED}": the setup liked at home is as balanced here', word=BALANCED),
    ] = 1.0
    front_grip_ratio_spread: Annotated[float | None, Quantity("number", 0.0, 1.0)] = None
    roughness: Annotated[float | None, Quantity("roughness", 0.0, 1.0, "0 for smooth")] = None
    roughness_spread: Annotated[float | None, Quantity("roughness", 0.0, 1.0)] = None
    iso_class: Annotated[str, one_of("A", "B", "C", "D", "E", "F", "G", "H")] | None = None
    bump_height: Annotated[float, Quantity("length", 0.0, 0.05, "the usual bump, with a straight edge and a ruler")]
    bump_height_spread: Annotated[float | None, Quantity("length", 0.0, 0.05)] = None
    tyre: FileName | None = Field(None, description="the file of the tyre that runs here, seen from this file's folder")


class Phase(Table):
    """[[phases]] of a surface file."""

    name: Word = Field(description="one word, like hairpin")
    radius: Annotated[float, Quantity("length", 0.1, 200.0, "walk the line of the car's middle with a tape")]
    speed: Annotated[float | None, Quantity("speed", 0.1, 60.0, "lap video and a tape")] = None
    grip_share: Annotated[float | None, Quantity("share", 0.01, 3.0)] = None
    longitudinal: Annotated[float | None, Quantity("acceleration", -60.0, 60.0)] = None
    longitudinal_share: Annotated[float | None, Quantity("share", -3.0, 3.0)] = None
    weight: Annotated[float, Quantity("number", 0.0, 1000.0)] = 1.0
    turn_in: Flag = False


class StudyHead(Table):
    """Top of a study file."""

    name: Title = Field(description="names the folder of the results")
    car: FileName = Field(description="the car file, seen from this file's folder")
    surface: FileName = Field(description="the surface file, seen from this file's folder")
    seed: Annotated[int, whole(0, 2**32 - 1)] = Field(
        description="any whole number; the same one gives the same tables"
    )


class KnobTable(Table):
    """[knobs.NAME]"""

    parts: Labels | None = None
    values: Numbers | None = None
    start: Number | None = Field(None, alias="from")
    stop: Number | None = Field(None, alias="to")
    step: Positive | None = None
    ends: Numbers | None = Field(None, alias="range")
    tolerance: Annotated[Given | None, Quantity("tolerance", 0.0, 1e6, whole=True)] = None
    minutes: Annotated[float, Quantity("number", 0.0, 10_000.0)] = 5.0


class RuleTable(Table):
    """[[rules]]"""

    reason: Remark = Field(description="why, in a few words")
    when: Choices = Field(description='knobs and labels, like { front_bar = ["none"] }')
    only: Choices | None = None
    never: Choices | None = None


class ObjectiveTable(Table):
    """[[objectives]]"""

    metric: Text = Field(description="a metric's name")
    direction: Annotated[str, one_of("lower", "higher")] | None = None
    resolution: Positive | None = None


class LimitTable(Table):
    """[[limits]]"""

    metric: Text = Field(description="a metric's name")
    at_least: Number | None = None
    at_most: Number | None = None
    relative_to: Text = ""
    reason: Remark = ""


class WishTable(Table):
    """[[wishes]]: soft targets, in the unit of the metric or of the knob"""

    metric: Text | None = Field(None, description="a metric's name")
    knob: Text | None = Field(None, description="a knob, in place of a metric")
    at_least: Number | None = None
    at_most: Number | None = None
    near: Number | None = None
    at_least_share: Positive | None = Field(None, description="of the value that the setup under relative_to has")
    at_most_share: Positive | None = Field(None, description="of the value that the setup under relative_to has")
    relative_to: Text = ""
    felt: Positive | None = Field(None, description="the difference a driver feels; needed for a knob")
    price: Positive = Field(1.0, description="what one felt difference weighs")
    reason: Remark = ""


class LikedTable(Table):
    """[liked.NAME]"""

    surface: FileName = Field(description="the surface file it was driven on")
    setup: Choices = Field({}, description="knobs and labels that differ from the baseline")


class MapTable(Table):
    """[[maps]]"""

    x: Text = Field(description="a knob")
    y: Text = Field(description="another knob")
    metric: Text = Field(description="a metric's name")


class MethodTable(Table):
    """[method]: how the questions are asked."""

    method: Annotated[str, one_of("auto", "exhaustive", "sampled")] = "auto"
    exhaustive_up_to: Annotated[int, whole(1, 50_000_000)] = 3_000_000
    search_trials: Annotated[int, whole(8, 1_000_000)] = 2_000
    search_population: Annotated[int, whole(4, 10_000)] = 60
    search_budget: Annotated[int, whole(0, 5_000_000)] = 400_000
    sobol_start: Annotated[int, whole(4, 1_048_576)] = 512
    sobol_budget: Annotated[int, whole(64, 100_000_000)] = 500_000
    sobol_tolerance: Annotated[float, Quantity("number", 1e-4, 1.0)] = 0.05
    shortlist_size: Annotated[int, whole(1, 50)] = 5
    build_samples: Annotated[int, whole(1, 100_000)] = 256
    save_every_setup: Flag | None = None


class UncertaintyTable(Table):
    """[uncertainty]: how the setups worth a long look are asked again in many scenarios of what is not known."""

    scenarios: Annotated[int, whole(8, 65_536)] = 4_096
    quantile: Annotated[float, Quantity("number", 0.01, 0.5)] = 0.1
    shortlist_on: Annotated[str, one_of(*FIGURES)] = "quantile"
    rejuvenate_below: Annotated[float, Quantity("number", 0.01, 1.0)] = 0.3


class UnknownTable(Table):
    """[unknowns.KEY]: numbers in the unit of KEY. Spread 0 says that the number is known."""

    law: Annotated[str, one_of(*LAWS)] = "normal"
    spread: Number | None = None
    low: Number | None = None
    high: Number | None = None


class CarryOverTable(Table):
    """[carry_over]"""

    liked: Text = Field(alias="from", description="the NAME of a [liked.NAME] on the surface it was driven on")


class PitsTable(Table):
    """[pits]"""

    minutes_between_runs: Annotated[float, Quantity("number", 0.5, 1_000.0)] = 15.0
    minutes: Annotated[float, Quantity("number", 0.0, 10_000.0, "all that there are; 0 where nobody counts")] = 0.0
    starts: Clock = Field("", description='when the first stop begins on the clock, like "10:15"')


class PracticeTable(Table):
    """[practice]"""

    file: FileName = Field(description="the file of what was seen, seen from this file's folder")
