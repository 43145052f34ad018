"""Building blocks of the tables: quantities with a unit in the key, words, labels, lists, all refused politely.

A quantity's key is its stem plus the suffix of a unit of the right kind (`wheelbase_mm`, `total_g` or `total_kg`);
`Quantity` turns it into SI through `explorer.domain.units`. Ranges are wide: they catch slips of unit, not bad taste.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, StrictBool, model_validator
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from explorer.domain.units import to_si
from explorer.model.car.parts import WIRE_MATERIALS

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
    "camber_gain_slope": ("deg_per_mm2",),
    "ratio_slope": ("per_mm",),
    "compliance": ("mm_per_n",),
    "force": ("n",),
    "angle_stiffness": ("n_per_deg",),
    "torsion": ("n_m_per_deg",),
    "downforce": ("n_s2_per_m2",),
    "slope": ("mm_per_mm", ""),
    "tolerance": ("pct", "mm", "deg", "n_per_mm", "n_per_m", "lbf_per_in", "gf_per_mm", "n_s_per_m"),
}
"""Suffixes that each kind of quantity may carry; the first is the usual one, "" is a plain number."""

FOLDER_BYTES = 200
"""Longest name of a folder; disks take 255. [bytes]"""

LEVEL_LIMIT = 10_000
"""Most levels of one knob."""


UNPRINTABLE = ("Cc", "Cs", "Zl", "Zp")
"""Unicode categories of what never stands in a name: control characters (a terminal obeys some), torn surrogates, line
and paragraph marks."""

TURNS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Marks that turn the direction of the text after them: a name could then read as another; Arabic needs none."""


def fit_to_print(text: str) -> bool:
    """Whether a text can stand on one line of a terminal, a report or a table and reads as it is written.

    >>> fit_to_print("bar 1.2"), fit_to_print("\\x1b[2J"), fit_to_print("\\u202e2.1")
    (True, False, False)
    """
    return not any(unicodedata.category(char) in UNPRINTABLE or char in TURNS for char in text)


def one_spelling(text: str) -> str:
    """A text in the one spelling of its letters that all names are compared in (Unicode's normal form C).

    >>> one_spelling("a\\u0308") == "\\u00e4"
    True
    """
    return unicodedata.normalize("NFC", text)


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


@dataclass(frozen=True)
class Place(Quantity):
    """A point of the front view, [y, z], in one unit; the range is that of either number. SI is a pair."""

    def check(self, value: Any) -> Any:
        """SI pair of a `Given`. Raises PydanticCustomError saying what is allowed."""
        if not isinstance(value, Given) or isinstance(value.raw, tuple):
            return super().check(value)
        allowed = f"[y, z], each {self.span(value.suffix)}"
        if not isinstance(value.raw, list) or len(value.raw) != 2:
            raise refuse(show(value), allowed, value.key)
        pair = tuple(super(Place, self).check(Given(value.key, item, value.suffix)) for item in value.raw)
        return pair


@dataclass(frozen=True)
class Worded(Quantity):
    """A number with a unit, or one `word` in its place."""

    word: str = ""

    def check(self, value: Any) -> Any:
        """SI value or the word. Raises PydanticCustomError saying what is allowed."""
        if isinstance(value, Given) and isinstance(value.raw, str):
            if value.raw.strip() == self.word:
                return self.word
            raise refuse(
                show(value), f'"{self.word}", or a number without quotes: {self.span(value.suffix)}', value.key
            )
        return super().check(value)


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
        word = f', or "{quantity.word}"' if isinstance(quantity, Worded) else ""
        also = f" (or {', '.join(others)})" if others else ""
        how = f"; {quantity.how}" if quantity.how else ""
        return f"this key is needed{also}: {quantity.span(KINDS[quantity.kind][0])}{word}{how}"

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
    if not 1 <= len(text) <= 80 or not fit_to_print(text):
        raise refuse(show(value), "text of 1 to 80 characters on one line")
    return text


def _file_name(value: Any) -> str:
    if not isinstance(value, str) or not 1 <= len(value.strip()) <= 500 or not fit_to_print(value):
        raise refuse(show(value), "the name of a file in quotes, seen from this file's folder")
    return value.strip()


def _title(value: Any) -> str:
    text = _text(value)
    if not re.fullmatch(r"\w[\w -]*", text):
        raise refuse(show(value), "letters, digits, spaces, - and _ (it names a folder)")
    if len(text.encode("utf-8")) > FOLDER_BYTES:
        raise refuse(show(value), f"a shorter name: at most {FOLDER_BYTES} bytes (it names a folder)")
    if re.fullmatch(r"(con|prn|aux|nul|(com|lpt)[0-9])", text.casefold()):
        raise refuse(show(value), "another name: some computers keep this one for a device (it names a folder)")
    return text


def _word(value: Any) -> str:
    text = _text(value)
    if not re.fullmatch(r"[a-z][a-z0-9_]*", text):
        raise refuse(show(value), "small letters a to z, digits and _, a letter first (it names columns)")
    return text


def _remark(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > 500:
        raise refuse(show(value), "text of 1 to 500 characters in quotes")
    text = " ".join(value.split())
    if not fit_to_print(text):
        raise refuse(show(value), "text without control characters")
    return text


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
    return one_spelling(_text(value))


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


def _clock(value: Any) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"([01]?\d|2[0-3]):[0-5]\d", value):
        raise refuse(show(value), 'a time of day in quotes, like "10:15"')
    return value


Clock = Annotated[str, BeforeValidator(_clock)]
Text = Annotated[str, BeforeValidator(_text)]
FileName = Annotated[str, BeforeValidator(_file_name)]
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
