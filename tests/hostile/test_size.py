"""Spaces of 10^12 setups and more: refused or sampled, with the count told, soon and in little memory."""

from __future__ import annotations

import json
import re
import time
from dataclasses import replace

import numpy as np
import pytest
from hostile.desk import Edit, command, measured
from typer.testing import CliRunner

from explorer.cli.commands import app
from explorer.domain.errors import ConfigError, SpaceError
from explorer.domain.space import ENUMERATION_CEILING, RULE_CELLS, Rule, Space
from explorer.inputs.load import load_study

RULE = '[[rules]]\nreason = "r"\nwhen = { front_bar = ["none"] }\nnever = { rear_bar = ["none"] }\n'
STEPS = "from = {low}\nto = {high}\nstep = {step}"


def grow(folder, edit: Edit, levels: int) -> None:
    """Ride heights and cambers of so many levels each; rules taken out."""
    study = folder / "study.toml"
    text = study.read_text(encoding="utf-8")
    text = text[: text.index("[[rules]]")] + text[text.index("# What to trade") :]
    step = 4.0 / (levels - 1)
    text = text.replace("values = [20, 22, 24]", STEPS.format(low=20, high=24, step=step))
    text = text.replace("from = 20\nto = 24\nstep = 2", STEPS.format(low=20, high=24, step=step))
    more = "".join(
        f"[knobs.{end}_camber_deg]\n" + STEPS.format(low=-2, high=2, step=step) + "\n" for end in ("front", "rear")
    )
    text = text.replace("[baseline]", more + "[baseline]\nfront_camber_deg = 0\nrear_camber_deg = 0")
    study.write_text(text, encoding="utf-8")


def test_a_million_million_setups_are_sampled_with_their_count(folder, edit: Edit) -> None:
    """Catches: a grid laid out before anybody is told, and a size nobody is told."""
    grow(folder, edit, 401)
    begun = time.process_time()
    loaded = load_study(folder / "study.toml")
    assert time.process_time() - begun < 3.0
    assert loaded.space.full_size == 225 * 401**4 > 10**12 and not loaded.space.exhaustive
    result = CliRunner().invoke(app, ["check", str(folder / "study.toml")])
    assert result.exit_code == 0 and f"{225 * 401**4:,} combinations: searched, not listed" in result.output
    facts = json.loads(CliRunner().invoke(app, ["check", str(folder / "study.toml"), "--json"]).stdout)
    assert facts["setups"] is None and facts["combinations"] == 225 * 401**4


def test_such_a_space_is_searched_in_little_memory(folder, edit: Edit, tmp_path) -> None:
    """Catches: memory or time that grows with the space where only some setups are looked at."""
    grow(folder, edit, 401)
    few = "search_trials = 60\nsearch_population = 20\nsearch_budget = 2000\nbuild_samples = 8\n"
    few += "sobol_start = 64\nsobol_budget = 4000"
    edit("study.toml", 'method = "auto"', f'method = "auto"\n{few}')
    words = ["shortlist", str(folder / "study.toml"), "--quiet", "--json"]
    command(*words, cwd=tmp_path)  # compiles what was not compiled yet: that takes more memory than any search
    found, peak = measured("from explorer.cli.commands import app\napp(prog_name='setup-space')", words, tmp_path)
    assert found.returncode in (0, 3), found.stderr
    assert json.loads(found.stdout)["setups"] <= 60 + 20 + 2000
    assert 50_000_000 < peak < 1_000_000_000


@pytest.mark.parametrize(
    ("levels", "change", "key", "said"),
    [
        (401, ('method = "auto"', 'method = "exhaustive"'), "method.method", "at most 50,000,000"),
        (401, ("[method]", RULE + "[method]"),
         "rules", "before rules"),
        (15, ("[method]", RULE * 200 + "[method]"), "rules", "rules times combinations"),
    ],
)  # fmt: skip
def test_what_cannot_be_listed_is_refused_with_its_count(folder, edit: Edit, levels, change, key, said) -> None:
    """Catches: rules applied to a grid for an hour, or a grid that fills the memory."""
    grow(folder, edit, levels)
    edit("study.toml", *change)
    begun = time.process_time()
    with pytest.raises(ConfigError) as caught:
        load_study(folder / "study.toml")
    assert time.process_time() - begun < 5.0
    found = [one for one in caught.value.problems if one.key == key]
    assert (
        len(found) == 1
        and said in found[0].allowed
        and re.search(r"\d{1,3}(,\d{3})+ (setups|combinations)", found[0].found)
    )


def test_ten_thousand_levels_and_a_thousand_rules_are_read_soon(folder, edit: Edit) -> None:
    """Catches: levels looked up one by one for each of a hundred thousand labels."""
    grow(folder, edit, 401)
    edit("study.toml", STEPS.format(low=20, high=24, step=4.0 / 400), STEPS.format(low=20, high=29.999, step=0.001))
    labels = ", ".join(f'"{20 + index / 1000:.10g}"' for index in range(9_000))
    edit("study.toml", "[method]", f'[[rules]]\nreason = "r"\nwhen = {{ front_bar = ["none"] }}\n'
         f"never = {{ front_ride_height_mm = [{labels}] }}\n" * 6 + "[method]")  # fmt: skip
    begun = time.process_time()
    with pytest.raises(ConfigError, match="before rules"):
        load_study(folder / "study.toml")
    assert time.process_time() - begun < 5.0


def slow_rows(space: Space) -> np.ndarray:
    """Row numbers of the full grid that keep every rule, by looking at every setup."""
    grid = np.stack(np.unravel_index(np.arange(space.full_size), [k.size for k in space.knobs]), axis=1).astype(float)
    return np.flatnonzero(space.allowed(grid))


@pytest.mark.parametrize("seed", range(8))
def test_rules_over_a_grid_as_setup_by_setup(folder, seed: int) -> None:
    """The quick way over whole axes against the plain one; catches `only` taken for `never`, an axis mixed up."""
    rng = np.random.default_rng(seed)
    space = load_study(folder / "study.toml").space

    def some(count: int) -> tuple[tuple[str, tuple[str, ...]], ...]:
        chosen = rng.choice(len(space.knobs), size=count, replace=False)
        return tuple(
            (
                space.knobs[k].name,
                tuple(rng.choice(space.knobs[k].labels, size=rng.integers(1, space.knobs[k].size + 1))),
            )
            for k in chosen
        )

    rules = tuple(Rule("r", some(rng.integers(1, 4)), some(rng.integers(0, 3))) for _ in range(4))
    ruled = replace(space, rules=rules)
    assert np.array_equal(ruled.allowed_rows, slow_rows(ruled))


def test_a_space_refuses_by_itself_too(folder) -> None:
    """Catches: a space built in Python that is not guarded by the reader."""
    space = load_study(folder / "study.toml").space
    many = replace(space, rules=space.rules * (RULE_CELLS // space.full_size + 1))
    with pytest.raises(SpaceError, match="rules over"):
        _ = many.size
    wide = replace(
        space, knobs=space.knobs + tuple(replace(k, name=f"{k.name}{n}") for k in space.knobs for n in range(4))
    )
    assert wide.full_size > ENUMERATION_CEILING
    with pytest.raises(SpaceError, match="combinations cannot be listed"):
        _ = wide.size
