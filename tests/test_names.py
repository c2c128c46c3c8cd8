"""Names: words of the glossary, and unit suffixes that docstrings repeat in brackets.

The glossary holds the words of public names; a word that is a metaphor has no place in it. To add a
name with a new word, add the word to ``glossary.txt``.
"""

import ast
import re
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "stormplan"
MODULES = sorted(PACKAGE.rglob("*.py"))
GLOSSARY = set((Path(__file__).parent / "glossary.txt").read_text(encoding="utf-8").split())
#: Unit suffix of a name and the unit in its docstring; SI symbols run together, per by position.
UNITS = {
    "_c": "°C", "_k": "K", "_pa": "Pa", "_hpa": "hPa", "_mm": "mm", "_cm": "cm", "_m": "m",
    "_km": "km", "_m2": "m²", "_wm2": "W/m²", "_wm2k": "W/(m² K)", "_w_mk": "W/(m K)",
    "_j_m2k": "J/(m² K)", "_j_m3k": "J/(m³ K)", "_j_kg": "J/kg", "_frac": "-", "_prob": "-",
    "_deg": "°", "_pct": "%", "_ms": "m/s", "_kg": "kg", "_kg_m2": "kg/m²", "_kg_m3": "kg/m³",
    "_kg_l": "kg/L", "_mol_kg": "mol/kg", "_l": "L", "_l_m2": "L/m²", "_l_h": "L/h",
    "_m2_h": "m²/h", "_cm_h": "cm/h", "_mm_h": "mm/h", "_h": "h", "_s": "s", "_sg": "-",
    "_l_s": "L/s", "_kg_s": "kg/s", "_kg_m": "kg/m",
}  # fmt: skip
#: Not SI: tables as published, and the hydrometer's reference temperature.
TABLE_UNITS = ("_lb_kft2", "_lb_lane_mile", "_60f", "_60f_sg", "_f")
COMPOUND_UNITS = ("_per_h", "_per_kg", "_per_l", "_per_m2")
NUMERIC = re.compile(r"\b(float|int|array|NDArray|Array|ndarray|ArrayLike)\b")
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


def functions_of(body: list[ast.stmt]):
    for node in body:
        if isinstance(node, ast.FunctionDef) and (
            not node.name.startswith("_") or node.name == "__init__"
        ):
            yield node


def public_names(path: Path):
    """Yield the public names of a module: itself, classes, fields, functions, parameters."""
    yield from (part for part in path.relative_to(PACKAGE).with_suffix("").parts)
    body = ast.parse(path.read_text(encoding="utf-8")).body
    classes = [
        node for node in body if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    ]
    for node in classes:
        yield node.name
        for field in node.body:
            if isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name):
                yield field.target.id
    for scope in (body, *(node.body for node in classes)):
        for function in functions_of(scope):
            yield function.name
            arguments = function.args
            for one in (*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs):
                yield one.arg


def words_of(name: str) -> list[str]:
    """Split a name into its words, without its unit."""
    suffixes = sorted((*UNITS, *TABLE_UNITS, *COMPOUND_UNITS), key=len, reverse=True)
    stem = next((name.removesuffix(s) for s in suffixes if name.endswith(s)), name)
    stem = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", "_", stem)
    return [word.lower() for word in stem.split("_") if word]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_public_names_are_made_of_the_glossarys_words(path):
    names = {name for name in public_names(path) if not name.startswith("_")}
    strangers = {name: word for name in names for word in words_of(name) if word not in GLOSSARY}
    assert strangers == {}


def test_the_glossary_has_no_word_that_nothing_is_called():
    used = {word for path in MODULES for name in public_names(path) for word in words_of(name)}
    assert GLOSSARY - used == set()


# -- units ----------------------------------------------------------------------------------------


def parameters(docstring: str) -> dict[str, tuple[str, str]]:
    """Return each parameter's declared type and text, by name, from a numpydoc docstring."""
    body = docstring.split("Parameters\n", 1)[-1].split("Returns\n")[0]
    found: dict[str, tuple[str, str]] = {}
    names: list[str] = []
    for line in body.splitlines():
        head = re.match(r"^\s+(\w[\w, ]*) : (.*)", line)
        if head:
            names = [name.strip() for name in head[1].split(",")]
            found |= dict.fromkeys(names, (head[2], ""))
        else:
            found |= {name: (found[name][0], found[name][1] + line + "\n") for name in names}
    return found


def documented_parameters():
    for path in MODULES:
        body = ast.parse(path.read_text(encoding="utf-8")).body
        scopes = [body, *(node.body for node in body if isinstance(node, ast.ClassDef))]
        for scope in scopes:
            for function in functions_of(scope):
                docstring = ast.get_docstring(function, clean=False) or ""
                if "Parameters\n" not in docstring:
                    continue
                for name, (kind, text) in parameters(docstring).items():
                    yield f"{path.stem}.{function.name}({name})", name, kind, text


def test_a_documented_number_has_its_unit_in_brackets_and_nothing_else_has():
    checked = 0
    for where, name, kind, text in documented_parameters():
        units = re.findall(r"\[([^\]]+)\]", text)
        is_compound = name.endswith(COMPOUND_UNITS)
        suffix = max((s for s in UNITS if name.endswith(s)), key=len, default=None)
        if not NUMERIC.search(kind) or re.search(r"\bbool\b", kind):
            only = units == ["-"]  # a table names the units of its columns
            assert not only, f"{where} is not a number, and has [-]"
        elif suffix is not None and not is_compound:
            checked += 1
            assert UNITS[suffix] in units, f"{where}: {UNITS[suffix]} is not among {units}"
        elif "float" in kind:
            assert units, f"{where} has no unit in brackets"
    assert checked > 150


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
