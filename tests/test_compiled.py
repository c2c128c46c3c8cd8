"""Compiled code: the numbers that Python gives, kept between runs, made anew for a new source."""

import ast
import importlib
import subprocess
import sys
from pathlib import Path

import numba
import numpy as np
import pytest

import stormplan
from stormplan import compiled
from stormplan.physics import phase_equilibrium

PACKAGE = Path(stormplan.__file__).parent
MODULES = [
    path for path in sorted(PACKAGE.rglob("*.py")) if "\n@compiled\n" in path.read_text("utf-8")
]


def digested() -> set[Path]:
    """The files that compiled code is said to be made of."""
    return {path for pattern in compiled.SOURCES for path in PACKAGE.glob(pattern)}


def origins(path: Path) -> dict[str, Path]:
    """Where each name that a module imports from the package comes from."""
    found = {}
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("stormplan"):
            for name in node.names:
                module = PACKAGE.parent / node.module.replace(".", "/")
                inside = module / f"{name.name}.py"
                found[name.asname or name.name] = (
                    inside if inside.exists() else module.with_suffix(".py")
                )
    return found


def dispatchers(path: Path) -> list:
    """The compiled functions that a module has."""
    name = path.relative_to(PACKAGE.parent).with_suffix("").as_posix().replace("/", ".")
    values = vars(importlib.import_module(name)).values()
    return [each for each in values if isinstance(each, numba.core.dispatcher.Dispatcher)]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_whatever_a_compiled_function_names_is_in_the_digest(path):
    """Machine code keeps constants and functions: a change of one must not go unseen."""
    functions = dispatchers(path)
    assert functions
    used = {word for each in functions for word in each.py_func.__code__.co_names}
    named = {path} | {at for word, at in origins(path).items() if word in used}
    assert named <= digested()


def run(code: str, **environment: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    return done.stdout.strip()


FREEZE = """
import numpy as np
from stormplan.physics import phase_equilibrium as p
salts = np.array([0.1, 0.0, 0.0, 0.0])
liquid = p.equilibrate(-10.0, 10.0, 0.6, 0.6, salts, -8.0)
print(round(liquid, 9), sum(p.equilibrate.stats.cache_hits.values()))
"""


def frozen(folder: Path) -> tuple[float, int]:
    """What stays liquid, and how much of the code was read from the folder."""
    liquid, hits = run(FREEZE, CACHE_DIRECTORY=str(folder)).split()
    return float(liquid), int(hits)


@pytest.mark.slow
def test_code_that_was_kept_is_read_and_what_cannot_be_read_or_kept_is_compiled(tmp_path):
    liquid, hits = frozen(tmp_path)
    assert hits == 0
    assert frozen(tmp_path) == (liquid, 1)
    kept = [path for path in tmp_path.rglob("*.nb?") if path.suffix in (".nbi", ".nbc")]
    assert {path.suffix for path in kept} == {".nbi", ".nbc"}
    for damaged in (".nbi", ".nbc"):
        for path in kept:
            if path.suffix == damaged:
                path.write_bytes(path.read_bytes()[:40])
        assert frozen(tmp_path) == (liquid, 0)
        assert frozen(tmp_path) == (liquid, 1)
    (tmp_path / "file").write_text("")
    assert frozen(tmp_path / "file") == (liquid, 0)
    lost = f"import shutil, stormplan.physics.film; shutil.rmtree({str(tmp_path)!r})\n"
    lost += f"open({str(tmp_path)!r}, 'w').close()\n"
    assert run(lost + FREEZE, CACHE_DIRECTORY=str(tmp_path)).split() == [str(liquid), "0"]


def test_every_function_is_compiled_for_one_kind_of_arguments(demo_plan):
    """Each kind takes seconds at the first run, and two runs at once could mix up their files."""
    assert demo_plan.sites
    kinds = {
        each.py_func.__qualname__: len(each.signatures)
        for path in MODULES
        for each in dispatchers(path)
    }
    assert {name: count for name, count in kinds.items() if count > 1} == {}


def test_a_changed_source_is_compiled_anew(tmp_path, monkeypatch):
    before = compiled.source_digest()
    copy = tmp_path / "stormplan"
    for path in digested():
        target = copy / path.relative_to(PACKAGE)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(path.read_bytes())
    monkeypatch.setattr(compiled, "__file__", str(copy / "compiled.py"))
    assert compiled.source_digest() == before
    brine = copy / "liquids" / "brine.py"
    brine.write_text(brine.read_text("utf-8").replace("45.0", "45.1"), "utf-8")
    assert compiled.source_digest() != before


def test_compiled_code_gives_what_the_same_python_gives():
    rng = np.random.default_rng(5)
    for _ in range(200):
        salts = rng.uniform(0.0, 0.05, 4) * rng.integers(0, 2, 4)
        total, temp_c = rng.uniform(0.05, 3.0), rng.uniform(-40.0, -0.1)
        fast = phase_equilibrium.equilibrium_liquid_kg_m2(salts, total, temp_c)
        plain = phase_equilibrium.equilibrium_liquid_kg_m2.py_func(salts, total, temp_c)
        assert fast == pytest.approx(plain, rel=1e-12, abs=1e-15)
