"""Tables as CSV text: nine significant digits, no negative zero, formulas of a spreadsheet disarmed.

The same numbers give the same bytes.
"""

from __future__ import annotations

import io
import math
import re
import unicodedata
from numbers import Integral
from typing import Any

import numpy as np
import pandas as pd

from explorer.domain.errors import ArtefactError

DIGITS = 9
"""Significant digits of a number in a CSV."""

_FORMULA = ("=", "+", "-", "@")
_BREAKS = ("\t", "\n")
_NEXT_CELL = re.compile("([;\t\n]\\s*)(?=[=@\uff1d\uff20]|[-+\uff0b\uff0d](?![\\d.\\s]))")


def number_text(value: float) -> str:
    """A number as every CSV writes it. Raises ArtefactError when it is not finite.

    >>> number_text(0.1 + 0.2), number_text(-0.0), number_text(12.0)
    ('0.3', '0', '12')
    """
    if not math.isfinite(value):
        raise ArtefactError(f"a table holds {value}; only finite numbers are written")
    text = f"{value:.{DIGITS}g}"
    return "0" if text == "-0" else text


def cell_text(text: str) -> str:
    """A string as every CSV writes it: one that a spreadsheet would run gets a leading apostrophe, numbers do not.

    Wide letters and leading spaces count, for some programs read through them; so does what follows a semicolon, which
    parts cells where the comma is the decimal mark.

    >>> cell_text("=1+1"), cell_text("-1.5"), cell_text("-none"), cell_text("1.2 mm"), cell_text("soft;=1+1")
    ("'=1+1", '-1.5', "'-none", '1.2 mm', "soft;'=1+1")
    """
    text = _NEXT_CELL.sub(r"\1'", text.replace("\r", " "))  # a lone one ends the row for some readers
    if not unicodedata.normalize("NFKC", text[:20]).lstrip().startswith(_FORMULA) and not text.startswith(_BREAKS):
        return text
    try:
        harmless = math.isfinite(float(text)) and not text[0].isspace()
    except ValueError:
        harmless = False
    return text if harmless else "'" + text


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """A table as CSV: no index, one line per row, missing cells (None, NA) empty. UTF-8 bytes.

    Raises ArtefactError for a number that is not finite.
    """
    columns = {}
    for place in range(len(frame.columns)):
        column = frame.iloc[:, place]
        if isinstance(column.dtype, pd.StringDtype):
            column = column.astype(object).where(column.notna(), None)
        columns[place] = pd.Series([_cell(value) for value in column], dtype=object)
    text = pd.DataFrame(columns, columns=range(len(frame.columns)))
    text.columns = pd.Index([cell_text(str(name)) for name in frame.columns])
    stream = io.StringIO()
    text.to_csv(stream, index=False, lineterminator="\n")
    return stream.getvalue().encode("utf-8")


def _cell(value: Any) -> str:
    if value is None or value is pd.NA:
        return ""
    if isinstance(value, str):
        return cell_text(value)
    if isinstance(value, bool) or type(value).__name__ == "bool":
        return "yes" if value else "no"
    if isinstance(value, Integral):
        return str(int(value))
    return number_text(float(value))


def all_finite(frame: pd.DataFrame) -> None:
    """Raises ArtefactError, naming the column, for a number that is not finite; one that is marked as absent is none."""
    for name in frame.columns:
        column = frame[name]
        if pd.api.types.is_extension_array_dtype(column.dtype):
            column = column.dropna()
        if pd.api.types.is_float_dtype(column.dtype) and not np.isfinite(column.to_numpy(dtype=float)).all():
            raise ArtefactError(f"column {name} holds a number that is not finite")
