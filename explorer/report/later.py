"""pandas, loaded when something of it is first used: it takes a third of a second, and one setup needs no table."""

from __future__ import annotations

from importlib import import_module
from typing import Any


class _Later:
    """Stands for a module until one of its names is asked for."""

    def __getattr__(self, name: str) -> Any:
        return getattr(import_module("pandas"), name)


pd = _Later()
