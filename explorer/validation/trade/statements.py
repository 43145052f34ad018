"""The statements of the trade as the package keeps them, line by line."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from typing import Any

FILE = files("explorer.validation.trade") / "statements.toml"
"""What the trade says, written before any number of a surface, a tyre or a car was set. Common practice, no source."""

KINDS = ("changes", "grounds", "limits", "sizes", "orders")
"""Tables of the file, each with lines of one form."""

Line = dict[str, Any]


def text() -> str:
    """The file as it stands."""
    return FILE.read_text(encoding="utf-8")


def lines() -> dict[str, list[Line]]:
    """Lines by kind."""
    raw = tomllib.loads(text())
    return {kind: raw[kind] for kind in KINDS}


def liked() -> dict[str, tuple[float, float]]:
    """Front and rear bar of the setup liked on carpet by kind of car. [mm]"""
    raw = tomllib.loads(text())["liked"]
    return {kind: (float(bars["front_bar"]), float(bars["rear_bar"])) for kind, bars in raw.items()}
