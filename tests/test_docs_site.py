"""The documentation site: its code runs, its commands exist, its build has no warning."""

import importlib.util
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from typer.main import get_command

from stormplan import api
from stormplan.cli.main import app
from stormplan.company.catalog import BUILD_UPS, MATERIALS
from stormplan.physics import ensemble
from stormplan.planning import plan_io

DOCS = Path(__file__).parent.parent / "docs"
PAGES = sorted(path for path in DOCS.rglob("*.md") if not {"_build", "generated"} & set(path.parts))


def load(name):
    spec = importlib.util.spec_from_file_location(name, DOCS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


page_code = load("page_code")


@pytest.mark.parametrize(
    "page",
    [page for page in PAGES if page_code.BLOCK.search(page.read_text())],
    ids=lambda page: page.stem,
)
def test_the_code_of_a_page_runs(page, tmp_path):
    assert page_code.run(page, tmp_path)


def test_two_pages_have_code():
    with_code = {page.stem for page in PAGES if page_code.BLOCK.search(page.read_text())}
    assert with_code >= {"plan", "pavement"}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_commands_on_a_page_parse(page, tmp_path, monkeypatch):
    (tmp_path / "sites.yaml").touch()
    monkeypatch.chdir(tmp_path)
    commands = get_command(app).commands
    for line in re.findall(r"^\.venv/bin/stormplan (.*)$", page.read_text(), re.MULTILINE):
        name, *arguments = re.split("  #| > ", line)[0].split()
        commands[name].make_context(name, arguments)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_page_is_reachable(page):
    if page != DOCS / "index.md":
        name = page.relative_to(DOCS).with_suffix("").as_posix()
        assert re.search(rf"^{name}$", (DOCS / "index.md").read_text(), re.MULTILINE)


def test_every_field_of_the_plan_is_on_its_page():
    schema = json.loads(plan_io.plan_schema())
    text = load("plan_fields").page(schema)
    for name, one in ({"Plan": schema} | schema["$defs"]).items():
        section = text.split(f"## {name}\n")[1].split("\n## ")[0]
        for key in one.get("properties", one.get("enum", ())):
            assert f"`{key}`" in section


def test_every_name_of_the_interface_is_on_its_page():
    text = (DOCS / "python" / "api.md").read_text()
    ours = [
        name for name in api.__all__ if getattr(api, name).__module__.startswith("stormplan.api.")
    ]
    assert [name for name in ours if name not in text] == []


def test_the_model_page_says_what_the_code_has():
    text = (DOCS / "model" / "index.md").read_text()
    for label, key in (
        ("dense asphalt", "dense_asphalt"),
        ("concrete", "concrete"),
        ("pavers", "pavers"),
        ("granular base", "granular_base"),
        ("subgrade", "subgrade"),
    ):
        material = MATERIALS[key]
        row = f"| {label} | {material.conductivity_w_mk} | {material.heat_capacity_j_m3k / 1e6} |"
        assert row in text
    night, day = ensemble.MODEL_ERROR_NIGHT_K, ensemble.MODEL_ERROR_DAY_K
    share = ensemble.DAY_ERROR_PER_EXCESS
    assert f"{night} K by night and `sqrt({day}² + ({share} (Ts - Ta))²)` K by" in text
    asphalt, concrete, pavers = (BUILD_UPS[key] for key in ("asphalt", "concrete", "pavers"))
    assert (
        f"asphalt {asphalt.albedo:.2f}, concrete {concrete.albedo:.2f}, pavers {pavers.albedo:.2f}"
        in text
    )


@pytest.mark.slow
def test_the_site_builds_without_a_warning(tmp_path):
    pytest.importorskip("sphinx", reason="the docs extra is not installed")
    build = [sys.executable, "-m", "sphinx", "-q", "-W", "--keep-going", "-b", "html"]
    done = subprocess.run([*build, DOCS, tmp_path], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "generated" / "plan-fields.html").exists()
    drawn = next((tmp_path / "_images").glob("*.svg")).read_text()
    assert "<path" in drawn
