"""Documentation that cannot rot: commands, files and exit codes in README exist."""

import importlib.util
import re
import shutil
import subprocess
from importlib import import_module
from pathlib import Path

import pytest
from helpers.command_line import stormplan
from typer.main import get_command

from stormplan.cli.main import app
from stormplan.errors import ExitCode
from stormplan.service import pipeline

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text()
COMMANDS = sorted(get_command(app).commands)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_readme(command):
    assert f"stormplan {command}" in README


SHOWN = re.findall(r"^\.venv/bin/stormplan (\w.*?)(?:\s+#.*)?$", README, re.MULTILINE)
NEED_NO_FILE = (
    "mix",
    "hydrometer",
    "blend",
    "calibrate",
    "policy",
    "schema",
    "offers",
    "least-cost",
)


def documented():
    return [line for line in SHOWN if line.split()[0] in NEED_NO_FILE and ".yaml" not in line]


@pytest.mark.slow
@pytest.mark.parametrize("line", documented())
def test_commands_shown_in_the_readme_run(line, tmp_path):
    result = stormplan(*line.split(), cwd=tmp_path)
    assert result.returncode == 0, result.stderr
    assert result.stdout.strip()


def test_every_report_is_in_the_readme(demo_plan, tmp_path):
    for path in pipeline.write_reports(demo_plan, tmp_path):
        name = path.relative_to(tmp_path)
        if name.parent.name == "notices":
            name = name.with_name(f"CLIENT{name.suffix}")
        assert f"`{name}`" in README


def test_every_exit_code_is_in_the_readme():
    for code in ExitCode:
        assert f"| {int(code)} |" in README


def test_the_excerpt_in_the_readme_is_what_the_demo_prints(demo_plan, tmp_path):
    written = {path.name: path for path in pipeline.write_reports(demo_plan, tmp_path)}
    shown = written["briefing.txt"].read_text()
    excerpt = re.search(r"```text\n(.*?)```", README, re.DOTALL)[1]
    assert excerpt in shown


def test_the_nomenclature_names_every_forecast_variable():
    from stormplan.weather.forecast import VARIABLES

    table = (ROOT / "DEVELOPERS.md").read_text()
    assert [name for name in VARIABLES if f"`{name}`" not in table] == []


def test_every_step_from_a_reply_to_a_gallon_is_a_function():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("## From a reply to a gallon")[1].split("\n## ")[0]
    named = re.findall(r"`([a-z_]+(?:\.\w+)+)`", section)
    assert len(named) >= 12
    for dotted in named:
        module, _, name = dotted.rpartition(".")
        owner = module.rpartition(".")
        if owner[2][0].isupper():  # a method
            thing = getattr(import_module(f"stormplan.{owner[0]}"), owner[2])
        else:
            thing = import_module(f"stormplan.{module}")
        assert callable(getattr(thing, name)), dotted


def test_every_promise_and_threat_names_a_test_that_is_there():
    text = (ROOT / "docs" / "security.md").read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if line.startswith("| ") and "---" not in line]
    rows = [row for row in rows if not row.endswith("| held by |")]
    assert len(rows) >= 20
    there = {
        name
        for file in (ROOT / "tests").glob("test_*.py")
        for name in re.findall(r"^def (test_\w+)", file.read_text(encoding="utf-8"), re.MULTILINE)
    }
    for row in rows:
        held_by = re.findall(r"`(test_\w+)`", row)
        assert held_by, row
        assert set(held_by) <= there, row


def test_the_map_of_the_code_names_every_room():
    text = (ROOT / "DEVELOPERS.md").read_text()
    package = ROOT / "stormplan"
    for room in [file.parent for file in package.glob("*/__init__.py")]:
        row = re.search(rf"^\| `{room.name}/` \|.*$", text, re.MULTILINE)
        assert row, f"there is no row for {room.name}/"
        inside = {path.stem for path in room.glob("*.py")} - {"__init__"}
        inside |= {f"{path.parent.name}/" for path in room.glob("*/__init__.py")}
        assert sorted(name for name in inside if f"`{name}`" not in row[0]) == []
    top = {path.stem for path in package.glob("*.py")} - {"__init__", "__main__"}
    assert sorted(name for name in top if f"`{name}`" not in text) == []


def load_script(path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_manual_page_is_that_of_the_commands_and_reads_as_one():
    kept = ROOT / "docs" / "stormplan.1"
    page = load_script(ROOT / "docs" / "man_page.py").page()
    assert kept.read_text(encoding="utf-8") == page, "python docs/man_page.py > docs/stormplan.1"
    for command in COMMANDS:
        assert f"\n.SS {command}".replace("-", "\\-") in page


@pytest.mark.skipif(shutil.which("groff") is None, reason="groff, another reader, is not here")
def test_another_reader_finds_nothing_wrong_with_the_manual_page():
    kept = ROOT / "docs" / "stormplan.1"
    read = subprocess.run(
        ["groff", "-man", "-Tutf8", "-ww", str(kept)], capture_output=True, text=True, check=True
    )
    assert read.stderr == ""


def test_the_demo_for_windows_finds_its_interpreter():
    """``Scripts`` and ``bin``: the documentation of Python's module ``venv``."""
    demo = load_script(ROOT / "scripts" / "demo.py")
    assert demo.environment_python(Path("v"), "win32") == Path("v/Scripts/python.exe")
    assert demo.environment_python(Path("v"), "darwin") == Path("v/bin/python")
    assert "py scripts\\demo.py" in README
