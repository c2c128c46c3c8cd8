"""Units in names and docstrings: the suffix says one, the docstring repeats it in brackets."""

import ast
import re
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "stormplan"
PHYSICS = [
    "weather/moist_air", "physics/radiation", "physics/sun", "physics/ground", "physics/forcing",
    "physics/pavement", "liquids/brine", "liquids/density", "liquids/cold_storage",
    "liquids/hydrometer", "events/detection",
]  # fmt: skip
SUFFIXES = {
    "_c": "°C", "_dc": "K", "_pa": "Pa", "_mm": "mm", "_m": "m", "_wm2": "W/m²", "_frac": "-",
    "_deg": "°", "_pct": "%", "_ms": "m/s", "_mps": "m/s", "_kg_m3": "kg/m³", "_h": "h", "_s": "s",
}  # fmt: skip
US = re.compile(r"\w+_(f|mph|sqft|gal|lb|ft2)\b")
EDGE = {
    "units",
    "main",
    "sites_file",
    "briefing",
    "formatting",
    "mix_sheet",
    "terminal",
    "solid_rates",
}


def public_functions(module: str):
    tree = ast.parse((PACKAGE / f"{module}.py").read_text())
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            yield node


def sections(docstring: str) -> dict[str, str]:
    """Each parameter's text, by name, from a numpydoc docstring."""
    body = docstring.split("Parameters\n", 1)[-1].split("Returns\n")[0]
    found, names = {}, []
    for line in body.splitlines():
        head = re.match(r"^    (\w[\w, ]*) : ", line)
        if head:
            names = [name.strip() for name in head[1].split(",")]
        for name in names:
            found[name] = found.get(name, "") + line + "\n"
    return found


@pytest.mark.parametrize("module", PHYSICS)
def test_docstrings_say_the_unit_the_name_says(module):
    checked = 0
    for function in public_functions(module):
        documented = sections(ast.get_docstring(function, clean=False) or "")
        for argument in function.args.args:
            text = documented.get(argument.arg)
            if text is None:
                continue
            units = re.findall(r"\[([^\]]+)\]", text)
            assert units, f"{module}.{function.name}: {argument.arg} has no unit in brackets"
            for suffix, unit in SUFFIXES.items():
                if argument.arg.endswith(suffix):
                    checked += 1
                    assert unit in units, f"{module}.{function.name}: {argument.arg} in {units}"
    assert checked > 0 or module in ("events/detection", "physics/pavement", "physics/forcing")


@pytest.mark.parametrize(
    "path",
    [p for p in PACKAGE.rglob("*.py") if p.stem not in EDGE and "brine_calculator" not in p.parts],
    ids=str,
)
def test_us_units_stay_at_the_edge(path):
    tree = ast.parse(path.read_text())
    names = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    names |= {node.arg for node in ast.walk(tree) if isinstance(node, ast.arg)}
    strangers = {name for name in names if US.fullmatch(name)} - {"sg_60f", "reading_60f"}
    assert strangers == set()
