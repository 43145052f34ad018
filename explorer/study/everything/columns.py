"""Metric columns of every setup, one at a time: in memory while they are small, else in scratch files.

The files are unnamed leftovers of one run: they lie in a temporary folder that goes when the store is closed.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from types import TracebackType

import numpy as np

from explorer.domain.errors import SpaceError
from explorer.domain.space import BoolArray, FloatArray, IntArray, Space

MEMORY_BYTES = 256_000_000
"""Columns up to this size together stay in memory."""


class ColumnStore:
    """Columns `columns` of all `rows` allowed setups, filled block by block in any order.

    `valid` (rows,) marks the setups that the model answered; the columns hold zeros elsewhere.
    """

    def __init__(self, space: Space, columns: tuple[str, ...], rows: int, memory_bytes: int = MEMORY_BYTES) -> None:
        self.space = space
        self.columns = columns
        self.valid: BoolArray = np.zeros(rows, dtype=bool)
        self._memory: FloatArray | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        if 8 * rows * len(columns) <= memory_bytes:
            self._memory = np.zeros((len(columns), rows))
        else:
            self._folder = tempfile.TemporaryDirectory(prefix="setup-space-")
            for path in self._paths():
                with path.open("wb") as stream:
                    stream.truncate(8 * rows)

    def __len__(self) -> int:
        return len(self.valid)

    def __enter__(self) -> ColumnStore:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _paths(self) -> list[Path]:
        assert self._folder is not None
        return [Path(self._folder.name) / f"{index}.f64" for index in range(len(self.columns))]

    @property
    def on_disk(self) -> bool:
        """True when the columns lie in scratch files."""
        return self._folder is not None

    def put(self, start: int, values: FloatArray, valid: BoolArray) -> None:
        """Fill rows from `start`: `values` (block, columns), `valid` (block,)."""
        stop = start + len(values)
        self.valid[start:stop] = valid
        if self._memory is not None:
            self._memory[:, start:stop] = values.T
            return
        for column, path in enumerate(self._paths()):
            with path.open("r+b") as stream:
                stream.seek(8 * start)
                stream.write(np.ascontiguousarray(values[:, column]).tobytes())

    def column(self, name: str) -> FloatArray:
        """One metric of every setup. Raises SpaceError for one that was not kept."""
        if name not in self.columns:
            raise SpaceError(f"{name!r} was not kept for every setup; kept: {', '.join(self.columns)}")
        index = self.columns.index(name)
        if self._memory is not None:
            return self._memory[index]
        return np.fromfile(self._paths()[index])

    def rows_of(self) -> IntArray | slice:
        """Full-grid number of each row: everything, or the rows that the rules leave."""
        rows = self.space.allowed_rows
        return slice(None) if rows is None else rows

    def close(self) -> None:
        """Let the scratch files go."""
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None
