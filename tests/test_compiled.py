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


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_whatever_a_compiled_function_names_is_in_the_digest(path):
    """Machine code keeps constants and functions: a change of one must not go unseen."""
    name = path.relative_to(PACKAGE.parent).with_suffix("").as_posix().replace("/", ".")
    module = importlib.import_module(name)
    functions = [
        each for each in vars(module).values() if isinstance(each, numba.core.dispatcher.Dispatcher)
    ]
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


@pytest.mark.slow
def test_what_was_compiled_is_read_back_and_without_a_folder_compiled_again(tmp_path):
    first = run(FREEZE, CACHE_DIRECTORY=str(tmp_path))
    second = run(FREEZE, CACHE_DIRECTORY=str(tmp_path))
    (tmp_path / "file").write_text("")
    nowhere = run(FREEZE, CACHE_DIRECTORY=str(tmp_path / "file"))
    assert {each.split()[0] for each in (first, second, nowhere)} == {first.split()[0]}
    assert [each.split()[1] for each in (first, second, nowhere)] == ["0", "1", "0"]


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
