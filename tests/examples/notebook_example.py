"""The program from a notebook, cell by cell; a test runs it. Give it a study file, or take the small one beside it."""

# %%
from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd

import explorer
from explorer.domain.errors import ConfigError

SMALL = Path(__file__).with_name("small.toml")


# %% Three lines: the shortlist as a table.
def shortlist(study: Path) -> pd.DataFrame:
    """The setups to take."""
    run = explorer.run(explorer.load(study, allow_outside=True))  # its car lies outside its own folder
    return run.shortlist


# %% Everything else is a table too.
def grip_by_bar(run: explorer.Run) -> pd.DataFrame:
    """Mean grip margin over every setup, front bar down the page, rear bar across. [%]"""
    every = run.setups
    every = every[every["valid"]]
    return every.pivot_table(index="front_bar", columns="rear_bar", values="grip_margin_pct", observed=True)


def strongest_knobs(run: explorer.Run, metric: str) -> pd.Series:
    """Knobs by how much of a metric they decide, strongest first."""
    table = run.sensitivity
    return table[table["metric"] == metric].set_index("knob")["total"].sort_values(ascending=False)


# %% Faults of a file come as one error that lists them all.
def faults(study: Path) -> list[str]:
    """What is wrong with a study, one line each."""
    try:
        explorer.load(study, allow_outside=True)
    except ConfigError as error:
        return [str(problem) for problem in error.problems]
    return []


# %%
def main(study: Path = SMALL) -> None:
    """Every cell in order."""
    run = explorer.run(explorer.load(study, allow_outside=True))
    print(run)
    print(run.shortlist.T)
    print(grip_by_bar(run).round(2))
    print(strongest_knobs(run, "lag_ms"))
    print(*(f"{one.label}: {one.verdict}" for one in run.checked.numbers), sep="\n")
    print("plan:", ", ".join(run.plan) or "not asked for")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else SMALL)
