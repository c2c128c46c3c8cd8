"""Break the core in 50 places, one at a time, and count how many breaks the tests notice.

python benchmarks/mutants.py [MUTANTS [SEED]] [--list] [--only N,N]

A mutant is one constant moved by half (an integer by one), one comparison turned, or one sign turned,
drawn with a seed from the rooms of ``CORE``, a third of each kind. Each runs in a copy of the tree:
first the tests that bear its name or import it themselves, in order of how little else they import,
then those that reach it through another module, nearest first, until one fails or ``BUDGET_S`` is
over. A mutant that nothing notices in time counts as a survivor, also where the machine was busy.
"""

import argparse
import ast
import functools
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent
CORE = ("physics", "liquids", "treatment", "events", "operations", "planning")
BUDGET_S = 300.0
#: Tests of how files look, of how weather comes in and of how reports go out: whatever they see of
#: the core, the tests nearer to it see first.
UNRELATED_TESTS = {
    *("test_docs", "test_docs_site", "test_layout", "test_names", "test_browser", "test_doctests"),
    *("test_scheduling_docs", "test_crash", "test_month", "test_fault_matrix", "test_runner"),
    *("test_archive", "test_http_client", "test_transports", "test_redaction", "test_reply_text"),
    *("test_alerts", "test_coordinates", "test_new_sites", "test_sites_file", "test_gathering"),
    *("test_nws", "test_metno", "test_openmeteo", "test_providers", "test_merge", "test_table"),
    *("test_review", "test_record", "test_report_folders", "test_scheduler", "test_due"),
    *("test_units", "test_policy", "test_plan_schema", "test_damaged_forecasts"),
}
#: The copies of whole reports come last: they notice any change, and say nothing of what is right.
LAST_TESTS = ("test_golden",)
TURNED = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
}


@dataclass(frozen=True)
class Mutant:
    """One break: where, of which kind, and what stands there before and after."""

    path: Path
    line: int
    kind: str
    before: str
    after: str
    span: tuple[int, int]

    def __str__(self) -> str:
        return f"{self.path}:{self.line} {self.kind}: {self.before} -> {self.after}"

    def apply(self, tree: Path) -> None:
        """Write the broken file into a copy of the tree."""
        source = source_of(self.path)
        start, end = self.span
        (tree / self.path).write_bytes(source[:start] + self.after.encode() + source[end:])


@functools.cache
def source_of(path: Path) -> bytes:
    """Return a file as it was when the mutants were drawn."""
    return (ROOT / path).read_bytes()


def mutants_of(path: Path) -> list[Mutant]:
    """Return every mutant of a file."""
    source = source_of(path)
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    found = []

    def add(node: ast.expr, kind: str, changed: ast.expr) -> None:
        begin = starts[node.lineno - 1] + node.col_offset
        end = starts[node.end_lineno - 1] + node.end_col_offset
        before = source[begin:end].decode()
        found.append(
            Mutant(
                path,
                node.lineno,
                kind,
                " ".join(before.split()),
                f"({ast.unparse(changed)})",
                (begin, end),
            )
        )

    for node in _computing(ast.parse(source)):
        if isinstance(node, ast.Constant) and type(node.value) in (int, float):
            value = node.value
            add(
                node,
                "constant",
                ast.Constant(value + 1 if isinstance(value, int) else value * 1.5 or 0.5),
            )
        elif isinstance(node, ast.Compare) and len(node.ops) == 1:
            op = TURNED[type(node.ops[0])]()
            add(node, "comparison", ast.Compare(node.left, [op], node.comparators))
        elif isinstance(node, ast.BinOp) and type(node.op) in TURNED and not _is_text(node):
            add(node, "sign", ast.BinOp(node.left, TURNED[type(node.op)](), node.right))
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
            add(node, "sign", node.operand)
    return found


def _computing(node: ast.AST) -> Iterator[ast.AST]:
    """Yield the nodes under one, but not what computes nothing: types, texts, axes, decorators."""
    yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "args") and not isinstance(
            node, ast.Call
        ):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or isinstance(child, ast.JoinedStr):
                continue
            if isinstance(child, ast.keyword) and child.arg in ("axis", "dtype"):
                continue
            if isinstance(child, ast.BinOp) and isinstance(child.op, ast.BitOr):
                continue  # an alias of types, or a union of records
            yield from _computing(child)


def _is_text(node: ast.BinOp) -> bool:
    """Return whether an addition joins sequences, which is an error at once when turned."""
    return any(
        isinstance(side, (ast.List, ast.Tuple, ast.JoinedStr)) for side in (node.left, node.right)
    )


def draw(count: int, seed: int) -> list[Mutant]:
    """Return mutants drawn with a seed, a third of each kind."""
    paths = sorted(
        path.relative_to(ROOT) for room in CORE for path in (ROOT / "stormplan" / room).glob("*.py")
    )
    every = [mutant for path in paths for mutant in mutants_of(path)]
    kinds = ("constant", "comparison", "sign")
    chance = random.Random(seed)
    drawn = []
    for place, kind in enumerate(kinds):
        of_kind = [mutant for mutant in every if mutant.kind == kind]
        drawn += chance.sample(of_kind, count // 3 + (place < count % 3))
    return drawn


# ------------------------------------------------------------------ which tests


@functools.cache
def imports_of(path: Path) -> frozenset[str]:
    """Return the modules of the package and of the tests' helpers that a file imports."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        found |= {name for name in names if _file_of(name)}
    return frozenset(found)


@functools.cache
def _file_of(module: str) -> Path | None:
    """Return the file of a module of the package or of the helpers; None for any other."""
    top = module.split(".")[0]
    if top not in ("stormplan", "helpers"):
        return None
    base = (ROOT if top == "stormplan" else ROOT / "tests").joinpath(*module.split("."))
    return next((f for f in (base.with_suffix(".py"), base / "__init__.py") if f.exists()), None)


def distances(test: Path) -> dict[str, int]:
    """Return how many imports lie between a test and each module; helpers count as the test."""
    nearest: dict[str, int] = {}
    edge = [(name, 0 if name.startswith("helpers") else 1) for name in imports_of(test)]
    while edge:
        name, far = edge.pop(0)
        if nearest.get(name, 99) <= far:
            continue
        nearest[name] = far
        for inner in imports_of(_file_of(name)):
            edge.append((inner, far if inner.startswith("helpers") else far + 1))
    return nearest


def tests_of(path: Path) -> list[list[str]]:
    """Return the tests that reach a file, in groups from near to far; those of its name are near."""
    module = ".".join(path.with_suffix("").parts)
    groups: dict[int, list[tuple[bool, int, str]]] = {}
    for test in sorted((ROOT / "tests").rglob("test_*.py")):
        far = distances(test).get(module)
        if far is None or test.stem in UNRELATED_TESTS:
            continue
        shared = set(test.stem.split("_")) & {*path.stem.split("_"), path.parent.name}
        rank = 9 if test.stem in LAST_TESTS else 1 if shared else min(far, 3)
        name = str(test.relative_to(ROOT))
        groups.setdefault(rank, []).append((not shared, len(imports_of(test)), name))
    return [[name for *_, name in sorted(groups[rank])] for rank in sorted(groups)]


# ------------------------------------------------------------------ running


def copy_tree(to: Path) -> None:
    """Copy what the tests need; the tree itself is never written."""
    for name in ("stormplan", "tests", "benchmarks", "docs", "scripts"):
        shutil.copytree(ROOT / name, to / name, ignore=shutil.ignore_patterns("__pycache__"))
    for file in ROOT.glob("*.*"):
        if file.is_file():
            shutil.copy(file, to)


def run_tests(tree: Path, tests: list[str], budget_s: float) -> str | None:
    """Return the first test that fails, or None; raises ``TimeoutExpired``."""
    paths = os.pathsep.join([str(tree), str(tree / "tests")])
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-x",
            "-q",
            "--no-header",
            "-p",
            "no:cacheprovider",
            "-m",
            "not slow",
            *tests,
        ],
        cwd=tree,
        env=os.environ
        | {
            "PYTHONPATH": paths,
            "OMP_NUM_THREADS": "1",
            "HYPOTHESIS_STORAGE_DIRECTORY": str(tree / ".hypothesis"),
        },
        capture_output=True,
        text=True,
        timeout=budget_s,
        check=False,
    )
    if done.returncode == 0:
        return None
    named = re.findall(r"^(?:FAILED|ERROR) (\S+)", done.stdout, re.MULTILINE)
    return named[0] if named else f"exit {done.returncode}"


def fate(mutant: Mutant, tree: Path) -> str | None:
    """Return what kills a mutant; None where nothing does in time."""
    start = time.monotonic()
    try:
        mutant.apply(tree)
        for group in tests_of(mutant.path):
            left_s = BUDGET_S - (time.monotonic() - start)
            killer = run_tests(tree, group, max(left_s, 1.0))
            if killer:
                return killer
    except subprocess.TimeoutExpired:
        return None
    finally:
        (tree / mutant.path).write_bytes(source_of(mutant.path))
    return None


def main() -> int:
    """Print the fate of each mutant, then how many were killed, and the survivors."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("count", type=int, nargs="?", default=50)
    parser.add_argument("seed", type=int, nargs="?", default=2026)
    parser.add_argument("--list", action="store_true", help="print the mutants and run nothing")
    parser.add_argument("--only", default="", help="numbers of those to run, with commas between")
    asked = parser.parse_args()
    drawn = list(enumerate(draw(asked.count, asked.seed), start=1))
    if asked.only:
        wanted = {int(number) for number in asked.only.split(",")}
        drawn = [(number, mutant) for number, mutant in drawn if number in wanted]
    survivors, copies = [], 0
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder)
        copy_tree(tree)
        for number, mutant in drawn:
            start = time.monotonic()
            killer = "" if asked.list else fate(mutant, tree)
            survivors += [] if killer or asked.list else [mutant]
            copies += "test_golden" in (killer or "")
            print(
                f"{number:3d} {mutant}: {killer or 'SURVIVES' * (not asked.list)} ({time.monotonic() - start:.0f} s)",
                flush=True,
            )
    if not asked.list:
        print(
            f"{len(drawn) - len(survivors)} of {len(drawn)} killed, {copies} of them by the copies of reports alone"
        )
        print("\n".join(f"survives: {mutant}" for mutant in survivors))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
