"""The page on scheduling and the files beside it: they name what exists and say what is so."""

import configparser
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from typer.main import get_command

from stormplan.cli.main import app
from stormplan.delivery import outbox
from stormplan.service import pipeline
from stormplan.store import report_folders

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"
PAGE = (DOCS / "scheduling.md").read_text()
FILES = [
    DOCS / "crontab.example",
    *(path for folder in ("container", "systemd") for path in (DOCS / folder).iterdir()),
]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_file_is_named_on_the_page(path):
    assert str(path.relative_to(ROOT)) in PAGE


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_command_line_parses(path):
    commands = get_command(app).commands
    for line in re.findall(r"bin/stormplan (.*)", path.read_text()):
        name, *arguments = line.split()
        commands[name].make_context(name, arguments)


def test_what_the_page_says_of_waits_and_reports_is_so(demo_plan, tmp_path):
    minutes = ", ".join(str(round(wait.total_seconds() / 60)) for wait in outbox.RETRY_DELAYS)
    assert f"after {minutes} min" in PAGE
    assert outbox.GIVE_UP_AFTER.total_seconds() == 6 * 3600
    for path in pipeline.write_reports(demo_plan, tmp_path):
        assert path.name in PAGE or path.parent.name == "notices"
    assert re.fullmatch(
        r"\d{8}T\d{6}Z-[0-9a-f]{6}", report_folders.report_set_name(pipeline.DEMO_NOW, "a plan")
    )


@pytest.mark.parametrize(
    "name", ["stormplan-watch.service", "stormplan-step.service", "stormplan-step.timer"]
)
def test_units_are_what_systemd_reads(name, tmp_path):
    unit = configparser.ConfigParser(strict=True, interpolation=None, delimiters=("=",))
    unit.optionxform = str
    unit.read_string((DOCS / "systemd" / name).read_text())
    assert {"Unit", "Service" if name.endswith("service") else "Timer"} <= set(unit.sections())
    if shutil.which("systemd-analyze") is None:
        return  # checked there where systemd is
    text = (
        (DOCS / "systemd" / name)
        .read_text()
        .replace("/opt/stormplan/.venv/bin/stormplan", "/bin/true")
    )
    (tmp_path / name).write_text(text)
    if name.endswith("timer"):
        (tmp_path / "stormplan-step.service").write_text("[Service]\nExecStart=/bin/true\n")
    checked = subprocess.run(
        ["systemd-analyze", "verify", tmp_path / name], capture_output=True, text=True
    )
    assert (checked.returncode, checked.stderr) == (0, "")
