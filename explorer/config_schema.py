"""What the tables of the three input files may hold: key, kind of unit, range, and how to measure it.

A quantity's key is its stem plus the suffix of a unit of the right kind (`wheelbase_mm`, `total_g` or `total_kg`);
`Quantity` turns it into SI through `explorer.units`. Ranges are wide: they catch slips of unit, not bad taste.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StrictBool, create_model, model_validator
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from explorer.config_assumed import ASSUMED, TORSION_HIGH, TORSION_LOW, AssumedKey
from explorer.model.parts import WIRE_MATERIALS
from explorer.units import to_si

KINDS: dict[str, tuple[str, ...]] = {
    "number": ("",),
    "share": ("pct", ""),
    "length": ("mm", "m"),
    "mass": ("g", "kg"),
    "angle": ("deg",),
    "rate": ("n_per_mm", "n_per_m", "lbf_per_in", "gf_per_mm"),
    "damping": ("n_s_per_m",),
    "inertia": ("kg_m2", "g_mm2"),
    "speed": ("m_per_s", "km_per_h"),
    "acceleration": ("m_per_s2",),
    "roughness": ("mm3",),
    "camber_gain": ("deg_per_mm",),
    "force": ("n",),
    "angle_stiffness": ("n_per_deg",),
    "torsion": ("n_m_per_deg",),
    "downforce": ("n_s2_per_m2",),
    "slope": ("mm_per_mm",),
    "tolerance": ("pct", "mm", "deg", "n_per_mm", "n_per_m", "lbf_per_in", "gf_per_mm", "n_s_per_m"),
}
"""Suffixes that each kind of quantity may carry; the first is the usual one, "" is a plain number."""

LEVEL_LIMIT = 10_000
"""Most levels of one knob."""


def show(value: Any) -> str:
    """A value as it stands in a TOML file, shortened."""
    if isinstance(value, Given):
        value = value.raw
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value[:60].replace("\n", "\\n") + ('..."' if len(value) > 60 else '"')
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**18 else "a very large whole number"
    if isinstance(value, list):
        return "an empty list" if not value else f"a list of {len(value)}"
    if isinstance(value, dict):
        return "a table"
    return str(value)[:60]


def refuse(found: str, allowed: str, key: str = "") -> PydanticCustomError:
    """Error of a validator: what was found, what is allowed, and the key in the file where it differs from the stem."""
    return PydanticCustomError("explorer", "not allowed", {"found": found, "allowed": allowed, "key": key})


def real(value: Any) -> float:
    """A finite number. Raises ValueError with what was expected."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise ValueError("a number without quotes")
    try:
        result = float(value)
    except OverflowError as error:
        raise ValueError("a number of reasonable size") from error
    if not math.isfinite(result):
        raise ValueError("a finite number")
    return result


@dataclass(frozen=True)
class Given:
    """A quantity as written: its key, raw value and unit suffix; `si` once it has been checked."""

    key: str
    raw: Any
    suffix: str
    si: float = math.nan


def _factor(suffix: str) -> float:
    return to_si(1.0, suffix) if suffix else 1.0


@dataclass(frozen=True)
class Quantity:
    """A number with a unit: kind, lowest and highest value [SI], and how to measure it.

    With `whole` the field keeps the key and the suffix beside the SI value (a `Given`).
    """

    kind: str
    low: float
    high: float
    how: str = ""
    whole: bool = False

    def keys(self, stem: str) -> dict[str, str]:
        """Accepted key -> suffix."""
        return {f"{stem}_{suffix}" if suffix else stem: suffix for suffix in KINDS[self.kind]}

    def span(self, suffix: str) -> str:
        """The range in a unit, in words."""
        factor = _factor(suffix)
        return f"{self.low / factor:.6g} to {self.high / factor:.6g} {suffix}".strip()

    def check(self, value: Any) -> Any:
        """SI value of a `Given`. Raises PydanticCustomError saying what is allowed."""
        if isinstance(value, Given) and isinstance(value.raw, tuple):
            raise refuse(" and ".join(value.raw), "give this only once, in one unit", value.key)
        if not isinstance(value, Given):
            raise refuse(show(value), f"name the unit in the key: one of the suffixes {', '.join(KINDS[self.kind])}")
        allowed = f"allowed: {self.span(value.suffix)}"
        try:
            si = real(value.raw) * _factor(value.suffix)
        except ValueError as error:
            raise refuse(show(value), f"{error}; {allowed}", value.key) from error
        slack = 1e-12 * max(abs(self.low), abs(self.high))
        if not self.low - slack <= si <= self.high + slack:
            raise refuse(show(value), allowed, value.key)
        return Given(value.key, value.raw, value.suffix, si) if self.whole else si

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.check)


class Table(BaseModel):
    """A table of an input file: unknown keys refused, quantities gathered under their stem in SI."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)

    @classmethod
    def quantities(cls) -> dict[str, Quantity]:
        """Stem -> quantity."""
        return {
            name: item
            for name, field in cls.model_fields.items()
            for item in field.metadata
            if isinstance(item, Quantity)
        }

    @classmethod
    def nested(cls) -> dict[str, type[Table]]:
        """Tables inside this one."""
        return {}

    @classmethod
    def known_keys(cls) -> list[str]:
        """Every key that may stand in this table."""
        quantities = cls.quantities()
        keys: list[str] = []
        for name, field in cls.model_fields.items():
            keys += list(quantities[name].keys(name)) if name in quantities else [field.alias or name]
        return keys

    @classmethod
    def key_example(cls, stem: str) -> str:
        """The usual key of a field."""
        quantity = cls.quantities().get(stem)
        return next(iter(quantity.keys(stem))) if quantity else stem

    @classmethod
    def how_to_give(cls, stem: str) -> str:
        """What to write for a missing field."""
        quantity = cls.quantities().get(stem)
        if quantity is None:
            field = cls.model_fields.get(stem)
            description = field.description if field is not None and field.description else ""
            return f"this key is needed: {description}".rstrip(": ")
        others = list(quantity.keys(stem))[1:]
        also = f" (or {', '.join(others)})" if others else ""
        how = f"; {quantity.how}" if quantity.how else ""
        return f"this key is needed{also}: {quantity.span(KINDS[quantity.kind][0])}{how}"

    @model_validator(mode="before")
    @classmethod
    def _gather(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        result = dict(data)
        for stem, quantity in cls.quantities().items():
            keys = {key: suffix for key, suffix in quantity.keys(stem).items() if key in data}
            for key in keys:
                result.pop(key)
            if len(keys) > 1:
                first = next(iter(keys))
                result[stem] = Given(first, tuple(keys), "")
            for key, suffix in keys.items() if len(keys) == 1 else ():
                result[stem] = Given(key, data[key], suffix)
        return result


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise refuse(show(value), "text in quotes")
    text = value.strip()
    if not 1 <= len(text) <= 80 or any(ord(char) < 32 or ord(char) == 127 for char in text):
        raise refuse(show(value), "text of 1 to 80 characters on one line")
    return text


def _title(value: Any) -> str:
    text = _text(value)
    if not re.fullmatch(r"\w[\w -]*", text):
        raise refuse(show(value), "letters, digits, spaces, - and _ (it names a folder)")
    return text


def _word(value: Any) -> str:
    text = _text(value)
    if not re.fullmatch(r"[a-z][a-z0-9_]*", text):
        raise refuse(show(value), "small letters a to z, digits and _, a letter first (it names columns)")
    return text


def _remark(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > 500:
        raise refuse(show(value), "text of 1 to 500 characters in quotes")
    return " ".join(value.split())


def _number(value: Any) -> float:
    try:
        return real(value)
    except ValueError as error:
        raise refuse(show(value), str(error)) from error


def _numbers(value: Any) -> tuple[float, ...]:
    if not isinstance(value, list) or not value:
        raise refuse(show(value), "a list of one or more numbers")
    if len(value) > LEVEL_LIMIT:
        raise refuse(f"{len(value):,} values", f"at most {LEVEL_LIMIT:,} levels")
    return tuple(_number(item) for item in value)


def _label(value: Any) -> str:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return f"{_number(value):.10g}"
    return _text(value)


def _labels(value: Any) -> tuple[str, ...]:
    items = value if isinstance(value, list) else [value]
    if not items:
        raise refuse("an empty list", "one or more labels")
    if len(items) > LEVEL_LIMIT:
        raise refuse(f"{len(items):,} labels", f"at most {LEVEL_LIMIT:,}")
    return tuple(_label(item) for item in items)


def _choices(value: Any) -> dict[str, tuple[str, ...]]:
    if not isinstance(value, dict) or not value:
        raise refuse(show(value), 'a table of knobs and labels, like { front_bar = ["none"] }')
    return {str(key): _labels(item) for key, item in value.items()}


def whole(low: int, high: int) -> BeforeValidator:
    """Validator of a whole number."""

    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise refuse(show(value), f"a whole number from {low:,} to {high:,}")
        return value

    return BeforeValidator(check)


def one_of(*words: str) -> BeforeValidator:
    """Validator of a word out of a list."""

    def check(value: Any) -> str:
        if not isinstance(value, str) or value not in words:
            raise refuse(show(value), f"one of {', '.join(words)}")
        return value

    return BeforeValidator(check)


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise refuse(show(value), "true or false, without quotes")
    return value


def _positive(value: Any) -> float:
    number = _number(value)
    if number <= 0.0:
        raise refuse(show(value), "a number above 0")
    return number


Text = Annotated[str, BeforeValidator(_text)]
Title = Annotated[str, BeforeValidator(_title)]
Word = Annotated[str, BeforeValidator(_word)]
Remark = Annotated[str, BeforeValidator(_remark)]
Label = Annotated[str, BeforeValidator(_label)]
Labels = Annotated[tuple[str, ...], BeforeValidator(_labels)]
Number = Annotated[float, BeforeValidator(_number)]
Positive = Annotated[float, BeforeValidator(_positive)]
Numbers = Annotated[tuple[float, ...], BeforeValidator(_numbers)]
Choices = Annotated[dict[str, tuple[str, ...]], BeforeValidator(_choices)]
Flag = Annotated[StrictBool, BeforeValidator(_flag)]
Material = Annotated[str, one_of(*WIRE_MATERIALS)]

RATE = Quantity("rate", 10.0, 50_000.0, "hang or press a known weight and read the movement")
END_RATE = Quantity("rate", 1.0, 1e6, "push one end up and the other down by the same force and read the movement")
DAMPING = Quantity("damping", 0.05, 500.0)
WIRE = Quantity("length", 0.0001, 0.01, "a caliper or micrometer across the wire")
RIDE_HEIGHT = Quantity("length", 0.001, 0.1, "a ride height gauge under the chassis at the axle, car ready to race")
CAMBER = Quantity("angle", math.radians(-15), math.radians(15), "a camber gauge; minus when the tops lean inward")
DROOP = Quantity("length", 0.0, 0.06, "lift the chassis and read how far it rises before the tyre leaves the ground")
ROLL_CENTRE = Quantity("length", -0.05, 0.1, "draw the arms from behind to scale and join the two instant centres")
CASTER = Quantity("angle", 0.0, math.radians(45), "a protractor on the kingpin, from the side")
BALLAST_SHIFT = Quantity("length", -0.5, 0.5, "forward of the place where the car was weighed")
TYRE_RATE = Quantity("rate", 200.0, 100_000.0, "press one tyre with a known weight on a scale and read the squash")
RADIUS = Quantity("length", 0.01, 0.15, "from the ground to the middle of the axle, car standing")


class CarHead(Table):
    """[car]"""

    name: Text = Field(description="what the team calls this car")
    drive: Annotated[str, one_of("rear", "front", "all")] = Field(description='"rear", "front" or "all" wheels driven')


class Mass(Table):
    """[mass]"""

    total: Annotated[float, Quantity("mass", 0.2, 20.0, "kitchen scales, car ready to race")]
    front_weight_share: Annotated[
        float, Quantity("share", 0.01, 0.99, "one scale under each end: the front reading over the sum")
    ]
    cg_height: Annotated[
        float, Quantity("length", 0.005, 0.3, "lift one end by a known height and read the other end's scale")
    ]
    ballast: Annotated[float, Quantity("mass", 0.0, 5.0, "the movable weight alone, on the scales")] = 0.0


class BarGeometry(Table):
    """[front.bar], [rear.bar]: the shape of the bars of one end."""

    straight: Annotated[float, Quantity("length", 0.005, 0.4, "between the two bends")]
    bearing_span: Annotated[float, Quantity("length", 0.002, 0.4, "between the middles of the two bearings")]
    arm: Annotated[float, Quantity("length", 0.003, 0.2, "from the bend to the link, along the arm")]
    lever: Annotated[float, Quantity("length", 0.003, 0.2, "from the link square to the bar's axis")]
    material: Material = Field("A228", description=f"one of {', '.join(WIRE_MATERIALS)}")


class End(Table):
    """[front], [rear]"""

    track: Annotated[float, Quantity("length", 0.05, 1.0, "between the middles of the two tyres on the ground")]
    unsprung_mass: Annotated[
        float, Quantity("mass", 0.005, 2.0, "per wheel: wheel, tyre, hub and half of the arm and shaft on the scales")
    ]
    wheel_radius: Annotated[float, RADIUS]
    ride_height: Annotated[float, RIDE_HEIGHT]
    spring_motion_ratio: Annotated[
        float, Quantity("number", 0.05, 3.0, "damper travel over wheel travel, both read with a ruler")
    ]
    bar_motion_ratio: Annotated[
        float | None, Quantity("number", 0.02, 3.0, "travel of the bar's end over wheel travel, both with a ruler")
    ] = None
    roll_centre_height: Annotated[float, ROLL_CENTRE]
    droop: Annotated[float, DROOP]
    camber: Annotated[float, CAMBER]
    tyre_rate: Annotated[float | None, TYRE_RATE] = None
    tyre_squash: Annotated[float | None, Quantity("length", 0.0001, 0.03, "how far one tyre gives")] = None
    tyre_squash_weight: Annotated[float | None, Quantity("mass", 0.02, 50.0, "the weight pressing it")] = None
    bar: BarGeometry | None = None

    @classmethod
    def nested(cls) -> dict[str, type[Table]]:
        return {"bar": BarGeometry}


class Geometry(Table):
    """[geometry]"""

    wheelbase: Annotated[float, Quantity("length", 0.05, 1.5, "between the front and rear axle, mean of both sides")]


class Steering(Table):
    """[steering]"""

    caster: Annotated[float, CASTER]
    kingpin_inclination: Annotated[
        float, Quantity("angle", math.radians(-5), math.radians(40), "a protractor on the kingpin, from the front")
    ]


class Underside(Table):
    """[underside]"""

    half_width: Annotated[float, Quantity("length", 0.005, 0.5, "half of the chassis plate's width")]
    front_edge_offset: Annotated[
        float, Quantity("length", -0.3, 0.5, "how far the plate's front edge is ahead of the front axle; minus behind")
    ]
    rear_edge_offset: Annotated[
        float, Quantity("length", -0.3, 0.5, "how far the plate's rear edge is behind the rear axle; minus ahead")
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


def _optional(keys: tuple[AssumedKey, ...]) -> dict[str, Any]:
    fields: dict[str, Any] = {}
    for key in keys:
        fields[key.stem] = (Annotated[float | None, Quantity(key.kind, key.low, key.high)], None)
        width = key.high - key.low
        fields[f"{key.stem}_spread"] = (Annotated[float | None, Quantity(key.kind, 0.0, width)], None)
    torsion = Quantity("torsion", TORSION_LOW, TORSION_HIGH)
    fields["chassis_torsion_rate"] = (Annotated[float | None, torsion], None)
    return fields


Assumed: type[Table] = create_model("Assumed", __base__=Table, **_optional(ASSUMED))
"""[assumed] of a car file: any of the keys of `explorer.config_assumed.ASSUMED`, each with an optional spread."""


class SurfaceHead(Table):
    """[surface]"""

    name: Text = Field(description="what the team calls this surface")
    grip: Annotated[float, Quantity("number", 0.05, 5.0, "the tightest circle held at a known speed: v^2/(R g)")]
    grip_spread: Annotated[float | None, Quantity("number", 0.0, 2.0)] = None
    front_grip_ratio: Annotated[float, Quantity("number", 0.3, 3.0)] = 1.0
    front_grip_ratio_spread: Annotated[float | None, Quantity("number", 0.0, 1.0)] = None
    roughness: Annotated[float | None, Quantity("roughness", 0.0, 1.0, "0 for smooth")] = None
    roughness_spread: Annotated[float | None, Quantity("roughness", 0.0, 1.0)] = None
    iso_class: Annotated[str, one_of("A", "B", "C", "D", "E", "F", "G", "H")] | None = None
    bump_height: Annotated[float, Quantity("length", 0.0, 0.05, "the usual bump, with a straight edge and a ruler")]
    bump_height_spread: Annotated[float | None, Quantity("length", 0.0, 0.05)] = None


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
    car: Text = Field(description="the car file, seen from this file's folder")
    surface: Text = Field(description="the surface file, seen from this file's folder")
    seed: Annotated[int, whole(0, 2**32 - 1)] = Field(description="any whole number; the same one gives the same tables")


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


class LikedTable(Table):
    """[liked.NAME]"""

    surface: Text = Field(description="the surface file it was driven on")
    setup: Choices = Field({}, description="knobs and labels that differ from the baseline")


class MapTable(Table):
    """[[maps]]"""

    x: Text = Field(description="a knob")
    y: Text = Field(description="another knob")
    metric: Text = Field(description="a metric's name")


class MethodTable(Table):
    """[method]: the fields of `explorer.space.Settings`."""

    method: Annotated[Literal["auto", "exhaustive", "sampled"], one_of("auto", "exhaustive", "sampled")] = "auto"
    exhaustive_up_to: Annotated[int, whole(1, 50_000_000)] = 3_000_000
    search_trials: Annotated[int, whole(8, 1_000_000)] = 2_000
    search_population: Annotated[int, whole(4, 10_000)] = 100
    sobol_start: Annotated[int, whole(4, 1_048_576)] = 256
    sobol_budget: Annotated[int, whole(64, 100_000_000)] = 500_000
    sobol_tolerance: Annotated[float, Quantity("number", 1e-4, 1.0)] = 0.05
    shortlist_size: Annotated[int, whole(1, 50)] = 5
    build_samples: Annotated[int, whole(1, 100_000)] = 256
    save_every_setup: Flag | None = None

