"""JSON Schema (draft 2020-12) of the input files, made from the tables that the reader itself checks with.

Editors complete and underline from it. It holds what a single table can say: keys, units, ranges, which keys exclude
each other. What needs two tables or two files (labels, knobs, phases, masses) only the reader checks.
"""

from __future__ import annotations

import json
import types
from collections.abc import Iterable
from inspect import getclosurevars
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BeforeValidator
from pydantic.fields import FieldInfo

from explorer.domain.units import UNITS, to_si
from explorer.inputs import fields, tables
from explorer.inputs.fields import KINDS, Place, Quantity, Table, Worded
from explorer.inputs.knobs import NUMBER_KNOBS, PART_KNOBS
from explorer.inputs.parts_box import PLACES
from explorer.inputs.practice import REPORTS, Moment, Seen, SetupTable
from explorer.inputs.unknowns import CATALOGUE, slots_of
from explorer.model.metrics import CAR_METRICS, PHASE_METRICS

DRAFT = "https://json-schema.org/draft/2020-12/schema"
Schema = dict[str, Any]

_LABEL: Schema = {"type": ["string", "number"]}
_LABELS: Schema = {"anyOf": [_LABEL, {"type": "array", "items": _LABEL, "minItems": 1}]}
_LEVELS: Schema = {"type": "object", "additionalProperties": _LABEL}
_NUMBERS: Schema = {"type": "array", "items": {"type": "number"}, "minItems": 1}
_LINE: Schema = {"type": "string", "minLength": 1, "maxLength": 80}

_METRIC: Schema = {
    "anyOf": [
        {"enum": [metric.name for metric in CAR_METRICS]},
        {"type": "string", "pattern": rf"^[a-z][a-z0-9_]*\.({'|'.join(metric.name for metric in PHASE_METRICS)})$"},
    ]
}
"""A metric of the car, or PHASE.METRIC."""


def _validator(alias: Any) -> Any:
    """The function that checks an annotated type."""
    return next(item.func for item in alias.__metadata__ if isinstance(item, BeforeValidator))


_BY_VALIDATOR: dict[Any, Schema] = {
    _validator(fields.Text): _LINE,
    _validator(fields.FileName): {"type": "string", "minLength": 1, "maxLength": 500},
    _validator(fields.Title): _LINE | {"pattern": r"^\s*\w[\w -]*$"},
    _validator(fields.Word): _LINE | {"pattern": r"^\s*[a-z][a-z0-9_]*\s*$"},
    _validator(fields.Remark): {"type": "string", "minLength": 1, "maxLength": 500},
    _validator(fields.Label): _LABEL,
    _validator(fields.Labels): _LABELS,
    _validator(fields.Number): {"type": "number"},
    _validator(fields.Positive): {"type": "number", "exclusiveMinimum": 0},
    _validator(fields.Numbers): _NUMBERS,
    _validator(fields.Choices): {"type": "object", "minProperties": 1, "additionalProperties": _LABELS},
    _validator(fields.Flag): {"type": "boolean"},
    _validator(SetupTable): _LEVELS,
    _validator(fields.Clock): {"type": "string", "pattern": r"^([01]?\d|2[0-3]):[0-5]\d$"},
    _validator(Moment): {"type": "string", "format": "date-time"},
}
"""What each plain type of `fields` lets through."""

ONE_OF: dict[type[Table], tuple[tuple[str, ...], ...]] = {
    tables.Phase: (("speed", "grip_share"),),
    tables.SurfaceHead: (("roughness", "iso_class"),),
    tables.RuleTable: (("only", "never"),),
    tables.WishTable: (("metric", "knob"), ("at_least", "at_most", "near", "at_least_share", "at_most_share")),
    tables.End: (("tyre_rate", "tyre_squash"), ("tyre_rate", "tyre_squash_weight")),
    tables.Spring: (("rate", "wire"), ("rate", "mean_diameter"), ("rate", "active_coils")),
    Seen: (REPORTS,),
}
"""Quantities or keys of which exactly one is given, as the reader asks for them."""

AT_MOST_ONE: dict[type[Table], tuple[tuple[str, ...], ...]] = {
    tables.Phase: (("longitudinal", "longitudinal_share"),),
    tables.Bar: (("wire", "measured_rate"),),
}
AT_LEAST_ONE: dict[type[Table], tuple[tuple[str, ...], ...]] = {
    tables.LimitTable: (("at_least", "at_most"),),
    tables.End: (("droop", "droop_lift"), ("roll_centre_height", "links"), ("spring_motion_ratio", "links")),
}

METRIC_KEYS = {
    (table, "metric") for table in (tables.ObjectiveTable, tables.LimitTable, tables.WishTable, tables.MapTable)
}

PARTS: dict[str, type[Table]] = {
    "bar": tables.Bar,
    "spring": tables.Spring,
    "damper": tables.Damper,
    "tyre": tables.Tyre,
}
CAR_TABLES: dict[str, type[Table]] = {
    "car": tables.CarHead,
    "suspension": tables.Suspension,
    "mass": tables.Mass,
    "geometry": tables.Geometry,
    "front": tables.End,
    "rear": tables.End,
    "steering": tables.Steering,
    "underside": tables.Underside,
    "assumed": tables.Assumed,
    "fitted": tables.Fitted,
}
TYRE_TABLES: dict[str, type[Table]] = {
    "tyre": tables.TyreHead,
    "constants": tables.Constants,
    "sources": tables.Sources,
}
STUDY_LISTS: dict[str, type[Table]] = {
    "rules": tables.RuleTable,
    "objectives": tables.ObjectiveTable,
    "limits": tables.LimitTable,
    "wishes": tables.WishTable,
    "maps": tables.MapTable,
}
STUDY_TABLES: dict[str, type[Table]] = {
    "method": tables.MethodTable,
    "uncertainty": tables.UncertaintyTable,
    "carry_over": tables.CarryOverTable,
    "pits": tables.PitsTable,
    "practice": tables.PracticeTable,
}


def _round(value: float) -> float:
    """Without the dust of a unit factor, whole numbers as such."""
    short = float(f"{value:.12g}")
    return int(short) if short == int(short) and abs(short) < 1e15 else short


def _factor(suffix: str) -> float:
    return to_si(1.0, suffix) if suffix else 1.0


def _unit(suffix: str) -> str:
    return next((unit.label for unit in UNITS if unit.suffix == suffix), "")


def quantity_schema(quantity: Quantity, suffix: str, default: Any = None) -> Schema:
    """One key of a quantity: a number, its bounds in the unit of the key, and how to measure it."""
    factor = _factor(suffix)
    low, high = _round(quantity.low / factor), _round(quantity.high / factor)
    told = [quantity.how, f"{quantity.span(suffix).removesuffix(suffix).strip()} {_unit(suffix)}".strip()]
    schema: Schema = {"type": "number", "minimum": low, "maximum": high}
    schema["description"] = "; ".join(part for part in told if part)
    if isinstance(quantity, Place):
        one = {key: schema[key] for key in ("type", "minimum", "maximum")}
        text = f"[y, z]: {schema['description']}"
        return {"type": "array", "items": one, "minItems": 2, "maxItems": 2, "description": text}
    if isinstance(default, (int, float)) and not isinstance(default, bool):
        schema["default"] = _round(default / factor)
    if isinstance(quantity, Worded):
        one = {key: schema.pop(key) for key in ("type", "minimum", "maximum")}
        schema["anyOf"] = [one, {"enum": [quantity.word]}]
    return schema


def _items(annotation: Any) -> Iterable[Any]:
    """What is annotated somewhere inside a type."""
    if get_origin(annotation) is Annotated:
        yield from annotation.__metadata__
    if get_origin(annotation) in (Annotated, Union, types.UnionType):
        for inner in get_args(annotation):
            yield from _items(inner)


def _plain_schema(field: FieldInfo) -> Schema:
    """A field that is not a quantity. Raises TypeError for a type that this module does not know: add it above."""
    for item in (*field.metadata, *_items(field.annotation)):
        if not isinstance(item, BeforeValidator):
            continue
        check: Any = item.func
        if check in _BY_VALIDATOR:
            return dict(_BY_VALIDATOR[check])
        bound = getclosurevars(check).nonlocals
        if "words" in bound:
            return {"enum": list(bound["words"])}
        if "low" in bound:
            return {"type": "integer", "minimum": bound["low"], "maximum": bound["high"]}
    raise TypeError(f"no schema for {field!r}")


def _only(properties: dict[str, Schema], required: Iterable[str] = ()) -> Schema:
    """An object with these keys and no others."""
    needed = list(required)
    schema: Schema = {"type": "object", "additionalProperties": False, "properties": properties}
    return schema | ({"required": needed} if needed else {})


def _keys(table: type[Table], stem: str) -> list[str]:
    quantity = table.quantities().get(stem)
    return list(quantity.keys(stem)) if quantity else [table.model_fields[stem].alias or stem]


def _exactly_one(keys: list[str]) -> Schema:
    return {"oneOf": [{"required": [key]} for key in keys]}


def _at_most_one(keys: list[str]) -> list[Schema]:
    if len(keys) < 2:
        return []
    if len(keys) == 2:
        return [{"not": {"required": keys}}]
    each = [{"required": [key]} for key in keys]
    return [{"oneOf": [{"not": {"anyOf": each}}, *each]}]


def table_schema(table: type[Table], leave_out: Iterable[str] = ()) -> Schema:
    """Schema of one table: every key, and which of them go together."""
    out = set(leave_out)
    properties: dict[str, Schema] = {}
    required: list[str] = []
    rules: list[Schema] = []
    grouped = {stem for group in ONE_OF.get(table, ()) for stem in group}
    for stem, field in table.model_fields.items():
        if stem in out:
            continue
        keys = _keys(table, stem)
        quantity = table.quantities().get(stem)
        if quantity is not None:
            for key, suffix in quantity.keys(stem).items():
                properties[key] = quantity_schema(quantity, suffix, None if quantity.whole else field.default)
            if field.is_required() and len(keys) > 1:
                rules.append(_exactly_one(keys))
            elif stem not in grouped:
                rules += _at_most_one(keys)
        else:
            properties[keys[0]] = _field_schema(table, stem, field)
        if field.is_required() and len(keys) == 1:
            required += keys
    for group in ONE_OF.get(table, ()):
        rules.append(_exactly_one([key for stem in group for key in _keys(table, stem)]))
    for group in AT_MOST_ONE.get(table, ()):
        rules += _at_most_one([key for stem in group for key in _keys(table, stem)])
    for group in AT_LEAST_ONE.get(table, ()):
        rules.append({"anyOf": [{"required": [key]} for stem in group for key in _keys(table, stem)]})
    schema = _only(properties, required)
    if table.__doc__ and table.__doc__.startswith("["):
        schema["description"] = " ".join(table.__doc__.split())
    unique = [rule for place, rule in enumerate(rules) if rule not in rules[:place]]
    return schema | ({"allOf": unique} if unique else {})


def _field_schema(table: type[Table], stem: str, field: FieldInfo) -> Schema:
    if stem in table.nested():
        return table_schema(table.nested()[stem])
    schema = dict(_METRIC) if (table, stem) in METRIC_KEYS else _plain_schema(field)
    if field.description:
        schema["description"] = field.description
    if isinstance(field.default, (str, int, float)) and field.default != "":
        schema["default"] = field.default
    return schema


def _list_of(table: type[Table]) -> Schema:
    return {"type": "array", "items": table_schema(table)}


def _file(title: str, properties: dict[str, Schema], required: Iterable[str]) -> Schema:
    return {"$schema": DRAFT, "title": title} | _only(properties, required)


def car_schema() -> Schema:
    """Of a car file."""
    properties = {name: table_schema(table) for name, table in CAR_TABLES.items()}
    boxes = {f"{place}s": _list_of(PARTS[place.split("_")[1]]) for place in PLACES}
    properties["parts"] = _only(boxes) | {"description": "the parts box: what can be fitted at each place"}
    needed = [name for name in CAR_TABLES if name not in ("suspension", "assumed", "fitted")]
    return _file("Car file of the setup-space explorer", properties, needed)


def surface_schema() -> Schema:
    """Of a surface file."""
    phases = _list_of(tables.Phase) | {"minItems": 1}
    phases["description"] = "the corners of the venue, each under its own [[phases]]; turn_in = true in exactly one"
    properties = {"surface": table_schema(tables.SurfaceHead), "phases": phases}
    return _file("Surface file of the setup-space explorer", properties, properties)


def tyre_schema() -> Schema:
    """Of a tyre file."""
    properties = {name: table_schema(table) for name, table in TYRE_TABLES.items()}
    return _file("Tyre file of the setup-space explorer", properties, ["tyre", "constants"])


def _part_knob() -> Schema:
    return table_schema(tables.KnobTable, ("values", "start", "stop", "step", "ends")) | {"required": ["parts"]}


def _knob_schemas() -> dict[str, Schema]:
    """Of [knobs.NAME]: parts by label, or numbers within the range of what they set."""
    parts: Schema = {"$ref": "#/$defs/part_knob", "description": 'parts = "all" of the box, or a list of labels'}
    found = {name: dict(parts) for name in PART_KNOBS}
    for name, (_, quantity) in NUMBER_KNOBS.items():
        suffix = next(unit.suffix for unit in UNITS if name.endswith("_" + unit.suffix))
        one = quantity_schema(quantity, suffix)
        text = one.pop("description")
        schema = table_schema(tables.KnobTable, ("parts",))
        several = {"type": "array", "items": one, "minItems": 1}
        schema["properties"] |= {"values": several, "range": several | {"minItems": 2, "maxItems": 2}}
        schema["properties"] |= {"from": one, "to": one}
        schema["allOf"] = schema.get("allOf", []) + [_exactly_one(["values", "from", "range"])]
        schema["dependentRequired"] = {key: ["from", "to", "step"] for key in ("from", "to", "step")}
        found[name] = schema | {"description": f"values, or from with to and step, or range; {text}"}
    return found


def _unknown_keys() -> list[str]:
    """Every key that may stand under [unknowns]: one end, both ends together, in every unit."""
    shared = [slot.split("_", 1)[1] for slot in CATALOGUE if slot.startswith(("front_", "rear_"))]
    stems = dict.fromkeys([*(stem for stem in shared if slots_of(stem)), *CATALOGUE])
    suffixes = {stem: KINDS[CATALOGUE[slots_of(stem)[0]].kind] for stem in stems}
    return [f"{stem}_{suffix}" if suffix else stem for stem in stems for suffix in suffixes[stem]]


def study_schema() -> Schema:
    """Of a study file."""
    head = table_schema(tables.StudyHead)
    knobs = _knob_schemas()
    properties = dict(head["properties"])
    properties["knobs"] = _only(knobs) | {"minProperties": 1, "description": "what you are willing to change"}
    properties["baseline"] = _only(dict.fromkeys(knobs, _LABEL)) | {"description": "the setup on the car now"}
    properties |= {name: _list_of(table) for name, table in STUDY_LISTS.items()}
    properties["objectives"]["minItems"] = 1
    properties["liked"] = {"type": "object", "additionalProperties": table_schema(tables.LikedTable)}
    properties["liked"]["description"] = "[liked.NAME]: a setup the driver likes on a surface"
    properties["unknowns"] = _only(dict.fromkeys(_unknown_keys(), {"$ref": "#/$defs/unknown"}))
    properties |= {name: table_schema(table) for name, table in STUDY_TABLES.items()}
    whole = _file("Study file of the setup-space explorer", properties, [*head["required"], "knobs", "baseline"])
    return whole | {"$defs": {"unknown": table_schema(tables.UnknownTable), "part_knob": _part_knob()}}


def practice_schema() -> Schema:
    """Of a practice file."""
    return _file("Practice file of the setup-space explorer", {"seen": _list_of(Seen)}, ())


def schema_texts() -> dict[str, str]:
    """File name -> text of each schema, as it is written."""
    found = {
        "car": car_schema(),
        "surface": surface_schema(),
        "tyre": tyre_schema(),
        "study": study_schema(),
        "practice": practice_schema(),
    }
    return {
        f"{name}.schema.json": json.dumps(schema, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        for name, schema in found.items()
    }
