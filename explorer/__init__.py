"""Setup-space explorer: exact sensitivity, fronts and a shortlist over a parts box, through a cornering model.

From Python: `import explorer; run = explorer.run("study.toml"); run.shortlist`. See `explorer.api`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from explorer.api import (
        Answer,
        Noted,
        OneSetup,
        PlanAnswer,
        Run,
        compare,
        load,
        map,
        next,
        plan,
        resume,
        run,
        seen,
        show,
    )

__all__ = [
    "Answer", "Noted", "OneSetup", "PlanAnswer", "Run", "compare", "load", "map", "next", "plan", "resume", "run",
    "seen", "show",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    """The names of `explorer.api`, read when first asked for: `import explorer` alone stays light."""
    if name not in __all__:
        raise AttributeError(f"module 'explorer' has no attribute {name!r}")
    from explorer import api

    return getattr(api, name)


def __dir__() -> list[str]:
    return sorted(__all__)
