"""The JSON Schemas under configs/schema: in step with the reader's tables, and true of every file that the reader
takes. A small checker stands in for a library: it knows the few words of JSON Schema that are used here, and no more.
"""

from __future__ import annotations

import copy
import json
import re
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest

from explorer.domain.errors import ConfigError
from explorer.inputs.car_and_surface import CAR_TOPS
from explorer.inputs.json_schema import DRAFT, _unknown_keys, schema_texts
from explorer.inputs.load import HEAD_KEYS, PLAN_TABLES, STUDY_TABLES, load_study
from explorer.inputs.tyre import TYRE_TOPS
from explorer.inputs.unknowns import known_keys, split_key

ROOT = Path(__file__).parents[2]
CONFIGS = ROOT / "configs"
STARTER = ROOT / "explorer" / "inputs" / "starter"
SCHEMAS = {name.split(".")[0]: json.loads(text) for name, text in schema_texts().items()}

FILES = (
    [("study", path) for path in sorted(CONFIGS.glob("*.toml"))]
    + [("car", path) for path in sorted((CONFIGS / "cars").glob("*.toml"))]
    + [("surface", path) for path in sorted((CONFIGS / "surfaces").glob("*.toml"))]
    + [("tyre", path) for path in sorted((CONFIGS / "tyres").glob("*.toml"))]
    + [("practice", path) for path in sorted((CONFIGS / "practice").glob("*.toml"))]
    + [(name, STARTER / f"{name}.toml") for name in ("car", "tyre", "surface", "study", "practice")]
)

KNOWN = {
    "$schema", "$defs", "$ref", "title", "description", "default", "type", "enum", "minimum", "maximum",
    "exclusiveMinimum", "minLength", "maxLength", "pattern", "items", "minItems", "maxItems", "properties", "required",
    "additionalProperties", "minProperties", "dependentRequired", "allOf", "anyOf", "oneOf", "not",
}  # fmt: skip
TYPES = {"object": dict, "array": list, "string": str, "boolean": bool, "integer": int, "number": (int, float)}


def is_a(value: Any, kind: str) -> bool:
    if isinstance(value, bool):
        return kind == "boolean"
    return isinstance(value, TYPES[kind])


def faults(value: Any, schema: Any, root: dict[str, Any], at: str = "") -> list[str]:
    """What a schema says against a value; nothing where it fits."""
    if isinstance(schema, bool):
        return [] if schema else [f"{at}: not allowed"]
    assert set(schema) <= KNOWN, set(schema) - KNOWN
    found: list[str] = []

    def refuse(fits: bool, word: str) -> None:
        if not fits:
            found.append(f"{at}: {word}")

    def fits(other: Any) -> bool:
        return not faults(value, other, root, at)

    if "$ref" in schema:
        found += faults(value, root["$defs"][schema["$ref"].removeprefix("#/$defs/")], root, at)
    if "type" in schema:
        kinds = [schema["type"]] if isinstance(schema["type"], str) else schema["type"]
        refuse(any(is_a(value, kind) for kind in kinds), "type")
    refuse("enum" not in schema or value in schema["enum"], "enum")
    for other in schema.get("allOf", ()):
        found += faults(value, other, root, at)
    refuse("anyOf" not in schema or any(map(fits, schema["anyOf"])), "anyOf")
    refuse("oneOf" not in schema or sum(map(fits, schema["oneOf"])) == 1, "oneOf")
    refuse("not" not in schema or not fits(schema["not"]), "not")
    if is_a(value, "number"):
        refuse(value >= schema.get("minimum", value), "minimum")
        refuse(value <= schema.get("maximum", value), "maximum")
        refuse("exclusiveMinimum" not in schema or value > schema["exclusiveMinimum"], "exclusiveMinimum")
    if isinstance(value, str):
        refuse(schema.get("minLength", 0) <= len(value) <= schema.get("maxLength", len(value)), "length")
        refuse("pattern" not in schema or re.search(schema["pattern"], value) is not None, "pattern")
    if isinstance(value, list):
        refuse(schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", len(value)), "items")
        for place, item in enumerate(value):
            found += faults(item, schema.get("items", True), root, f"{at}[{place}]")
    if isinstance(value, dict):
        known = schema.get("properties", {})
        refuse(len(value) >= schema.get("minProperties", 0), "minProperties")
        refuse(set(schema.get("required", ())) <= set(value), "required")
        for key, others in schema.get("dependentRequired", {}).items():
            refuse(key not in value or set(others) <= set(value), "dependentRequired")
        for key, item in value.items():
            found += faults(item, known.get(key, schema.get("additionalProperties", True)), root, f"{at}.{key}")
    return found


def against(kind: str, value: Any) -> list[str]:
    return faults(value, SCHEMAS[kind], SCHEMAS[kind])


def test_committed_schemas_are_in_step() -> None:
    """Catches a key, range or unit changed in the tables while editors go on completing the old one."""
    for name, text in schema_texts().items():
        told = f"{name} is stale: run `setup-space schema configs/schema`"
        assert (CONFIGS / "schema" / name).read_text(encoding="utf-8") == text, told
        assert json.loads(text)["$schema"] == DRAFT


@pytest.mark.parametrize(("kind", "path"), FILES, ids=lambda item: item if isinstance(item, str) else item.stem)
def test_every_file_of_ours_fits(kind: str, path: Path) -> None:
    """Catches a schema that underlines a file which the reader takes."""
    assert against(kind, tomllib.loads(path.read_text(encoding="utf-8"))) == []


def test_the_same_tables_as_the_reader() -> None:
    """Catches a table that the reader knows and the schema does not, and the other way round."""
    assert set(SCHEMAS["car"]["properties"]) == set(CAR_TOPS)
    assert set(SCHEMAS["tyre"]["properties"]) == set(TYRE_TOPS)
    assert set(SCHEMAS["study"]["properties"]) == set(HEAD_KEYS + STUDY_TABLES + PLAN_TABLES)
    keys = _unknown_keys()
    assert set(known_keys()) <= set(keys) and all(split_key(key)[0] for key in keys)


def broken(text: str, old: str, new: str) -> str:
    assert old in text, old
    return text.replace(old, new, 1)


FAULTS = {
    "misspelt key": ("car", "cg_height_mm", "cg_hight_mm"),
    "a unit of another kind": ("car", "total_g =", "total_mm ="),
    "out of range in its unit": ("car", "wheelbase_mm = 283", "wheelbase_mm = 28.3"),
    "out of range in another unit": ("car", "wheelbase_mm = 283", "wheelbase_m = 283"),
    "twice in two units": ("car", "total_g = 1580", "total_g = 1580\ntotal_kg = 1.58"),
    "missing": ("car", "wheelbase_mm = 283", ""),
    "a number in quotes": ("car", "total_g = 1580", 'total_g = "1580"'),
    "no droop in either way": ("car", "droop_mm = 10.0", ""),
    "neither roll centre nor links": ("car", "roll_centre_height_mm = 10.0", ""),
    "a point of three numbers": ("car", "[front.bar]", "[front.links]\nlower_inner_mm = [1, 2, 3]\n\n[front.bar]"),
    "an unknown axle": ("car", 'axle = "wishbone"', 'axle = "swing"'),
    "an unknown word": ("car", 'drive = "rear"', 'drive = "back"'),
    "a rate and a squash": ("car", "tyre_squash_mm = 2.6", "tyre_squash_mm = 2.6\ntyre_rate_n_per_mm = 4"),
    "a spring with rate and wire": ("car", "rate_n_per_mm = 0.55", "rate_n_per_mm = 0.55\nwire_mm = 1.0"),
    "no rough ground": ("surface", "roughness_mm3 = 1500", ""),
    "speed and share": ("surface", "grip_share = 0.8", "grip_share = 0.8\nspeed_m_per_s = 3"),
    "a whole number in quotes": ("study", "seed = 20261", 'seed = "20261"'),
    "an unknown knob": ("study", "[knobs.front_bar]", "[knobs.front_baar]"),
    "an empty knob": ("study", "values = [20, 22, 24]", "values = []"),
    "a level out of range": ("study", "values = [20, 22, 24]", "values = [20, 22, 240]"),
    "two ways to give levels": ("study", "values = [20, 22, 24]", "values = [20, 22, 24]\nrange = [20, 24]"),
    "a metric nobody knows": ("study", 'metric = "clearance_mm"', 'metric = "clearanse_mm"'),
    "a limit without a bound": ("study", 'metric = "rollover_margin_pct"\nat_least = 0', 'metric = "lag_ms"'),
    "a wish with two targets": ("study", "at_least_share = 0.8", "at_least_share = 0.8\nnear = 1"),
    "a wish about nothing": ("study", 'metric = "sweep.balance_pct"', ""),
}
PATHS = {
    "car": CONFIGS / "cars" / "heron_2wd.toml",
    "surface": CONFIGS / "surfaces" / "dusty.toml",
    "study": CONFIGS / "2wd_dusty.toml",
}


@pytest.mark.parametrize("fault", sorted(FAULTS))
def test_what_the_reader_refuses_an_editor_underlines(fault: str, tmp_path: Path) -> None:
    """Catches a schema that lets everything through: each fault is one that the reader refuses too."""
    kind, old, new = FAULTS[fault]
    text = broken(PATHS[kind].read_text(encoding="utf-8"), old, new)
    assert against(kind, tomllib.loads(text)), fault
    for folder in ("cars", "surfaces", "tyres"):
        shutil.copytree(CONFIGS / folder, tmp_path / folder)
    study = tmp_path / "study.toml"
    shutil.copy(PATHS["study"], study)
    (tmp_path / PATHS[kind].relative_to(CONFIGS) if kind != "study" else study).write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError):
        load_study(study)


def test_every_unit_of_a_quantity_completes() -> None:
    """Catches a bound left in SI under a key in another unit, and a key without a word on how to measure it."""
    keys = SCHEMAS["car"]["properties"]["mass"]["properties"]
    assert keys["total_g"]["anyOf"] == [{"type": "number", "minimum": 200, "maximum": 20000}, {"enum": ["typical"]}]
    number = keys["total_kg"]["anyOf"][0]
    assert (number["minimum"], number["maximum"]) == (0.2, 20)
    assert "kitchen scales" in keys["total_g"]["description"]
    end = SCHEMAS["car"]["properties"]["front"]["properties"]
    assert end["camber_deg"]["anyOf"][0]["minimum"] == -15
    mass = tomllib.loads(PATHS["car"].read_text(encoding="utf-8"))
    other = copy.deepcopy(mass)
    other["mass"]["total_kg"] = other["mass"].pop("total_g") / 1000.0
    assert against("car", mass) == against("car", other) == []
