"""Import layers, one importer per heavy library, and demo files that run."""

from __future__ import annotations

import ast
import csv
import graphlib
import re
import subprocess
import sys
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "explorer"
LAYERS = {
    "explorer": (
        "domain", "model", "study", "inputs report runs", "flow", "bench validation", "api", "cli", "__main__",
    ),
    "explorer.study": ("everything", "compare questions", "pits", "plan", "results"),
    "explorer.model": ("machine", "car metrics", "corner", "fill", "block", "kernel"),
}  # fmt: skip
"""The parts of a package, lowest first. A part may import what is below it; parts of one layer may not import each
other."""
RANK = {
    f"{package}.{part}": rank
    for package, layers in LAYERS.items()
    for rank, layer in enumerate(layers)
    for part in layer.split()
}
COMMANDS_ONLY = ("explorer.bench", "explorer.validation")
"""Loaded by their commands alone, when they are given."""
IMPORTERS = {
    "SALib": ("bench/peers.py", "study/questions/sobol.py"),
    "optuna": ("bench/peers.py", "study/questions/search.py"),
    "moocore": ("study/everything/front.py",),
    "seaborn": ("report/figures.py",),
    "matplotlib": ("report/figures.py", "report/pit_sheet_pdf.py"),
    "pyarrow": ("runs/artefacts.py",),
    "typer": ("cli/commands.py", "cli/options.py", "cli/pit_commands.py", "cli/run_commands.py"),
    "rich": ("cli/terminal.py",),
    "tomllib": ("inputs/source.py", "validation/trade/statements.py"),
    "mujoco": ("validation/multibody.py", "validation/wishbone/multibody.py"),
    "Pynite": ("validation/bars.py",),
    "control": ("validation/motion.py",),
    "distributed": ("study/everything/cluster.py",),
}


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def part_of(module: str, package: str) -> str:
    """The part of a package that a module belongs to; "" where it is outside, or the package itself."""
    inside = module.removeprefix(f"{package}.")
    return "" if inside == module else f"{package}.{inside.partition('.')[0]}"


def nodes_imported(nodes: Iterable[ast.AST]) -> set[str]:
    found = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return found


@cache
def imports_of(path: Path) -> set[str]:
    return nodes_imported(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


SOURCES = sorted(path for path in PACKAGE.rglob("*.py") if path.name != "__init__.py" or path.parent != PACKAGE)


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_one_way(path: Path) -> None:
    """Catches a model that reads files, a report that evaluates the model, and a file that belongs to no layer."""
    module = module_of(path)
    for package in LAYERS:
        here = part_of(module, package)
        assert not here or here in RANK, f"{here} has no place in LAYERS"
        for there in {part_of(name, package) for name in imports_of(path)} & set(RANK) - {here}:
            assert not here or RANK[there] < RANK[here], f"{module} imports {there}"


def test_no_module_needs_itself() -> None:
    """Catches two modules that import each other, directly or not, inside one part too."""
    needed = {module_of(path): imports_of(path) for path in SOURCES}
    inside = {name: {one for one in needed if f"{name}.".startswith(f"{one}.")} for name in needed}
    graphlib.TopologicalSorter({name: found & set(needed) - inside[name] for name, found in needed.items()}).prepare()


def test_only_the_root_is_flat() -> None:
    """Catches a module put beside the folders."""
    assert {path.stem for path in PACKAGE.glob("*.py")} == {"__init__", "__main__", "api"}


def test_a_command_alone_loads_what_it_alone_needs() -> None:
    """Catches checkers and benches that another part leans on, or that every command loads."""
    for path in SOURCES:
        part, tree = part_of(module_of(path), "explorer"), ast.parse(path.read_text(encoding="utf-8"))
        names = nodes_imported(tree.body if part == "explorer.cli" else ast.walk(tree))
        assert part in COMMANDS_ONLY or not {part_of(name, "explorer") for name in names} & set(COMMANDS_ONLY), path


@pytest.mark.parametrize("library", sorted(IMPORTERS))
def test_one_importer_per_heavy_library(library: str) -> None:
    """Catches a second file that would have to change when a library is replaced."""
    users = {
        str(path.relative_to(PACKAGE))
        for path in SOURCES
        if any(name.split(".")[0] == library for name in imports_of(path))
    }
    assert users <= set(IMPORTERS[library]) and users


def test_the_readme_counts_what_the_committed_proof_found() -> None:
    """Catches a number in the README that no command gave: checks within their bars, from the proof's own table."""
    with (ROOT / "results" / "proof" / "tables" / "comparisons.csv").open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["bar"]]

    def judged(*stems: str) -> tuple[int, int]:
        chosen = [row for row in rows if row["section"] in stems]
        return sum(row["passed"] == "yes" for row in chosen), len(chosen)

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    loads = judged("proof_multibody")
    motion = judged("proof_response", "proof_bumps", "proof_grip_over_bumps")
    counted = ("sampling", "coverage", "shapley", "fronts", "searches", "published")
    numbers = judged(*(f"proof_{stem}" for stem in counted))
    for within, total in (loads, motion, numbers):
        assert total and f"{within:,} of {total:,}" in readme


def test_headlined_limits_are_those_of_the_committed_proof() -> None:
    """Catches a headline in the README that the proof no longer says."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    proof = (ROOT / "results" / "proof" / "report.md").read_text(encoding="utf-8")
    half = re.search(r"lowest at N = 256, below the default: (\d+) %", proof)
    assert half is not None and f"at N = 256 some held only {half[1]} % of the time" in readme


def test_the_readme_says_how_far_the_committed_loads_are_off() -> None:
    """Catches differences in the README that the proof's page does not give: roll, wheel loads, rollover; and a bound
    so wide that it says nothing."""
    proof = (ROOT / "results" / "proof" / "report.md").read_text(encoding="utf-8")
    readme = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    said = re.search(
        r"roll within ([\d.]+) %, each wheel load within ([\d.]+) N .*, the rollover threshold within ([\d.]+) %",
        readme,
    )
    assert said is not None
    for number, line in zip(said.groups(), (r"roll .* deg", r"wheel load, .*", "rollover threshold"), strict=True):
        worst = [abs(float(found)) for found in re.findall(rf"^- {line}: worst ([-+]?[\d.]+)", proof, re.MULTILINE)]
        assert worst and 0.8 * float(number) < max(worst) <= float(number)


def test_developers_tell_the_speed_that_the_committed_bench_measured() -> None:
    """Catches a row of the speed table that no bench gave, and "met" beside a bar that was missed."""
    with (ROOT / "results" / "bench" / "tables" / "ratios.csv").open(encoding="utf-8", newline="") as stream:
        found = {row["what"]: row for row in csv.DictReader(stream)}
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("| bar | measured | |")[1].split("\n\n")[0].splitlines()
    told: dict[str, tuple[str, Callable[[float], str]]] = {
        "exact front over Optuna": ("exact front over Optuna's search, CPU", lambda x: f"1/{1 / x:.0f}"),
        "setups per second": ("setups per second, all metrics, wall", lambda x: f"{round(x, -2):,.0f}"),
        "10^7 setups": ("wall over kernel and front alone, 10,144,225 setups", lambda x: f"{x:.2f}"),
        "10^8 setups": ("peak memory at 100,200,100 setups, MB", lambda x: f"{x:.0f} MB"),
        "cold compile": ("first command with an empty compile cache, CPU s", lambda x: f"{x:.1f}"),
        "later demo run": ("later run to all tables, figures apart, wall s", lambda x: f"{x:.1f}"),
        "exact indices over SALib": (
            "exact indices over SALib's own sample, evaluation and analysis, CPU",
            lambda x: f"{x:.2f}",
        ),
        "two cores": ("one core over two, wall", lambda x: f"{x:.2f}"),
        "Dask with two workers": ("Dask with two workers over one process, wall", lambda x: f"{x:.2f}"),
    }
    for start, (name, form) in told.items():
        cells = next(line for line in table if line.startswith(f"| {start}")).split("|")
        assert cells[2].strip().startswith(form(float(found[name]["value"]))), start
        assert not found[name]["met"] or cells[3].strip().startswith("met" if found[name]["met"] == "yes" else "missed")


def test_a_question_loads_no_drawing_and_no_sampling_library() -> None:
    """Catches an import at the top of a file that makes every command seconds slower."""
    heavy = "('seaborn', 'SALib', 'optuna', 'scipy.stats')"
    code = f"import sys, explorer.flow.pipeline; print([name for name in {heavy} if name in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert found.stdout.strip() == "[]", found.stdout
