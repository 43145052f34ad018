"""Answers as bytes and back, exactly: arrays, numbers, text, tuples and the package's own dataclasses.

Not pickle: reading runs no code but the constructors of dataclasses of this package. A study's `Space` is not written;
the reader puts its own in place.
"""

from __future__ import annotations

import importlib
import json
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from explorer.domain.errors import ArtefactError
from explorer.domain.space import Space

_PACKAGE = __name__.partition(".")[0] + "."


def pack(value: Any, space: Space) -> bytes:
    """A value as bytes. Raises ArtefactError for a kind of value that is not known here."""
    buffers: list[bytes] = []
    text = json.dumps(_plain(value, space, buffers), allow_nan=False, separators=(",", ":")).encode()
    return b"".join([len(text).to_bytes(8, "little"), text, *buffers])


def unpack(data: bytes, space: Space) -> Any:
    """The value that `pack` wrote, with `space` where the study's space stood. Raises ArtefactError where it cannot be
    read."""
    try:
        size = int.from_bytes(data[:8], "little")
        return _value(json.loads(data[8 : 8 + size]), space, memoryview(data)[8 + size :])
    except (ValueError, LookupError, TypeError, AttributeError, ImportError, ArithmeticError, RecursionError) as fault:
        raise ArtefactError(f"a kept answer cannot be read: {fault}") from fault


def _plain(value: Any, space: Space, buffers: list[bytes]) -> Any:
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if value is space:
        return {"space": True}
    if isinstance(value, float):
        return {"float": value.hex()}
    if isinstance(value, np.generic):
        return {"scalar": _plain(np.asarray(value), space, buffers)}
    if isinstance(value, np.ndarray) and value.dtype.kind in "biuf":
        start = sum(map(len, buffers))
        buffers.append(np.ascontiguousarray(value).tobytes())
        return {"array": [value.dtype.str, list(value.shape), start, value.nbytes]}
    if isinstance(value, tuple) and not hasattr(value, "_fields"):
        return {"tuple": [_plain(one, space, buffers) for one in value]}
    if isinstance(value, list):
        return {"list": [_plain(one, space, buffers) for one in value]}
    if isinstance(value, dict):
        pairs = [[_plain(key, space, buffers), _plain(one, space, buffers)] for key, one in value.items()]
        return {"dict": pairs}
    kind = type(value)
    if kind.__module__.startswith(_PACKAGE) and not isinstance(value, Space):
        names = [field.name for field in fields(value)] if is_dataclass(value) else getattr(value, "_fields", None)
        if names is not None:
            held = {name: _plain(getattr(value, name), space, buffers) for name in names}
            return {"kind": [kind.__module__, kind.__qualname__], "fields": held}
    raise ArtefactError(f"a {kind.__qualname__} cannot be kept")


def _value(plain: Any, space: Space, buffers: memoryview) -> Any:
    if not isinstance(plain, dict):
        return plain
    if "space" in plain:
        return space
    if "float" in plain:
        return float.fromhex(plain["float"])
    if "scalar" in plain:
        return _value(plain["scalar"], space, buffers)[()]
    if "array" in plain:
        dtype, shape, start, size = plain["array"]
        return np.frombuffer(buffers[start : start + size], dtype=np.dtype(dtype)).reshape(shape).copy()
    if "tuple" in plain:
        return tuple(_value(one, space, buffers) for one in plain["tuple"])
    if "list" in plain:
        return [_value(one, space, buffers) for one in plain["list"]]
    if "dict" in plain:
        return {_value(key, space, buffers): _value(one, space, buffers) for key, one in plain["dict"]}
    module, name = plain["kind"]
    if not module.startswith(_PACKAGE) or "__" in module:
        raise ValueError(f"{module} holds no answers of this package")
    kind: Any = importlib.import_module(module)
    for part in name.split("."):
        kind = getattr(kind, part)
    if not (is_dataclass(kind) or hasattr(kind, "_fields")):
        raise ValueError(f"{name} is no kind of answer")
    return kind(**{key: _value(one, space, buffers) for key, one in plain["fields"].items()})
