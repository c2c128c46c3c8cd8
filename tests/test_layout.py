"""The import contract of pyproject.toml: data flows one way, the core does no I/O and no clock."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
CONTRACTS = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]
CORE = [name.removeprefix("stormplan.") for name in CONTRACTS["contracts"][1]["source_modules"]]


def test_the_import_contracts_hold():
    tool = Path(sys.executable).with_name("lint-imports")
    result = subprocess.run([tool, "--no-cache"], cwd=ROOT, capture_output=True, text=True)
    assert result.returncode == 0, result.stdout


@pytest.mark.parametrize("module", CORE)
def test_the_core_knows_no_clock_and_opens_no_file(module):
    place = ROOT.joinpath("stormplan", *module.split("."))
    files = [*place.rglob("*.py")] if place.is_dir() else [place.with_suffix(".py")]
    text = "".join(file.read_text() for file in files)
    assert text
    assert not re.search(r"\.now\(|\.today\(|utcnow|time\.time\(|[^\w.]open\(", text)


def test_the_pages_are_given_their_clock():
    text = "".join(file.read_text() for file in ROOT.joinpath("stormplan", "web").rglob("*.py"))
    assert not re.search(r"\.now\(|\.today\(|utcnow|time\.time\(", text)
