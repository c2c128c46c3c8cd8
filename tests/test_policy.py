"""The rules of practice as policy: scope, agreement with each other, and that each decides.

What must hold between two rules follows from their meaning; their values have their sources beside
them in ``practice_rules``.
"""

import ast
import pickle
from pathlib import Path

import pytest
from helpers.rule_effects import EFFECTS, differs
from helpers.sites import parse_sites, site_entry, sites_text
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

import stormplan
from stormplan import units
from stormplan.company import policy, sites_file
from stormplan.company.practice_rules import RULES, SCOPES, Practice
from stormplan.errors import SitesError
from stormplan.planning import plan_io
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.service import pipeline
from stormplan.weather.providers import Location, fetch_forecasts
from stormplan.weather.providers.recorded import RecordedSource

PACKAGE = Path(stormplan.__file__).parent
DEMO = (PACKAGE / "demo" / "sites.yaml").read_text(encoding="utf-8")
READERS = ("number", "choice", "rule_value", "add_rule_reason")


def problems(text: str) -> list[str]:
    with pytest.raises(SitesError) as error:
        sites_file.parse_sites(text)
    return [str(problem) for problem in error.value.problems]


# -- level ----------------------------------------------------------------------------------------

LEVELS = {"site": ("site", "surface"), "company": ("company", "site", "surface")}


def at_level(level: str, rules: dict[str, str]) -> str:
    """The text of a sites file that sets rules at one level."""
    surface = {"class": "asphalt_lot", "area": "20000 ft2"}
    surfaces = {"lot": surface | ({"policy": rules} if level == "surface" else {})}
    more = {"policy": rules} if level == "site" else {}
    company = {"policy": rules} if level == "company" else {}
    return sites_text({"a": site_entry(43.1, -89.4, surfaces, **more)}, **company)


@pytest.mark.parametrize("level", SCOPES)
@pytest.mark.parametrize("key", RULES)
def test_a_rule_is_taken_at_its_levels_and_told_where_it_belongs_at_others(key, level):
    rule = RULES[key]
    text = at_level(level, {key: rule.default})
    if SCOPES.index(level) <= SCOPES.index(rule.scope):
        sites_file.parse_sites(text)
        return
    (problem,) = problems(text)
    line = 1 + next(at for at, part in enumerate(text.splitlines()) if f'"{key}"' in part)
    assert problem.startswith(f"sites.yaml:{line}: ")
    assert f"'{key}' holds for" in problem
    assert "move it to" in problem


def test_a_misspelt_rule_is_answered_with_the_nearest_one_of_its_level():
    (problem,) = problems(at_level("surface", {"max_wnd": "15 mph"}))
    assert "did you mean 'max_wind'?" in problem


# -- agreement ------------------------------------------------------------------------------------


def test_a_target_outside_its_bands_is_refused_with_line_and_remedy():
    text = at_level("company", {"brine_target": "20 %"})
    (problem,) = problems(text)
    line = 1 + next(at for at, part in enumerate(text.splitlines()) if '"brine_target"' in part)
    assert problem == (
        f"sites.yaml:{line}: policy.brine_target: 20 % contradicts brine_accept_min, 22.5 %"
        " (default); accepted: at least 22.5 %, or set brine_accept_min too"
    )
    nested = {"brine_target": "20 %", "brine_accept_min": "19 %", "brine_reject_below": "18 %"}
    assert parse_sites({"a": site_entry(43.1, -89.4)}, policy=nested)


@pytest.mark.parametrize("pair", policy.ORDERED_RULES, ids="-".join)
def test_the_defaults_agree_and_a_contradiction_is_refused_where_it_is_set(pair):
    low, high = (RULES[key] for key in pair)
    assert low.default_value <= high.default_value
    assert low.kind == high.kind
    lowest, highest = (units.parse(limit, low.kind) for limit in (high.limits[0], low.limits[1]))
    if lowest >= highest:
        return  # their own limits keep them apart
    level = min(low.scope, high.scope, key=SCOPES.index)
    text = at_level(level, {low.key: low.limits[1], high.key: high.limits[0]})
    said = [problem for problem in problems(text) if f"{low.key}: " in problem]
    assert any(high.key in problem for problem in said)


def test_a_contradiction_with_another_level_is_told_at_the_nearer_one():
    text = sites_text(
        {"a": site_entry(43.1, -89.4, policy={"go_probability": "10 %"})},
        policy={"monitor_probability": "20 %"},
    )
    (problem,) = problems(text)
    assert "sites.a.policy.go_probability: 10 % contradicts monitor_probability" in problem
    assert "(company)" in problem


# -- no misspelt key, no dead rule ----------------------------------------------------------------


def keys_read(tree: ast.AST) -> set[str]:
    """Every text that is passed to a reader of practice, directly or by a name of its function."""
    found: set[str] = set()
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    for function in functions:
        assigned: dict[str, set[str]] = {}
        for node in ast.walk(function):
            if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                arms = [node.value]
                if isinstance(node.value, ast.IfExp):
                    arms = [node.value.body, node.value.orelse]
                texts = {a.value for a in arms if isinstance(a, ast.Constant)}
                assigned.setdefault(node.targets[0].id, set()).update(texts)
        for node in ast.walk(function):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
                continue
            if node.func.attr not in READERS or not node.args:
                continue
            match node.args[0]:
                case ast.Constant(value=str(key)):
                    found.add(key)
                case ast.Name(id=name):
                    found |= {key for key in assigned.get(name, ()) if isinstance(key, str)}
    return found


def test_every_key_that_is_read_is_a_rule():
    read = {
        (path.relative_to(PACKAGE).as_posix(), key)
        for path in PACKAGE.rglob("*.py")
        for key in keys_read(ast.parse(path.read_text(encoding="utf-8")))
    }
    assert len(read) > 50
    assert {(path, key) for path, key in read if key not in RULES} == set()


def test_a_misspelt_key_is_found():
    wrong = "def f(practice):\n    rule = 'max_wnd' if practice else 'max_wind'\n"
    assert keys_read(ast.parse(wrong + "    practice.number(rule)\n")) == {"max_wnd", "max_wind"}
    with pytest.raises(KeyError):
        Practice().number("max_wnd")


def test_every_rule_has_a_row_of_effects():
    assert set(EFFECTS) == set(RULES)


@pytest.mark.slow
@pytest.mark.parametrize("key", RULES)
def test_no_dead_rule(key):
    assert EFFECTS[key].changed != RULES[key].default
    assert differs(key) is (EFFECTS[key].open_reason is None), EFFECTS[key].open_reason


# -- whatever is accepted plans -------------------------------------------------------------------


def values_of(key: str) -> st.SearchStrategy[str]:
    """Values of a rule within its limits, as a person writes them."""
    rule = RULES[key]
    if rule.kind == "choice":
        return st.sampled_from(rule.limits)
    return st.sampled_from((rule.default, *rule.limits))


POLICIES = st.sets(st.sampled_from(sorted(RULES)), min_size=1, max_size=8).flatmap(
    lambda keys: st.fixed_dictionaries({key: values_of(key) for key in sorted(keys)})
)


def plans(rules: dict[str, str]) -> bool:
    """Plan the demo by a policy; False where check refuses it."""
    lines = "".join(f"  {key}: {value}\n" for key, value in rules.items())
    try:
        sites = sites_file.parse_sites(f"{DEMO}policy:\n{lines}")
    except SitesError:
        return False
    locations = [
        Location(key, site.latitude_deg, site.longitude_deg) for key, site in sites.sites.items()
    ]
    source = RecordedSource(PACKAGE / "demo")
    gathered = fetch_forecasts([source], locations, pipeline.DEMO_NOW)
    answers = {one.location.key: SiteForecasts(one.forecast) for one in gathered}
    plan = make_plan(sites, answers, pipeline.DEMO_NOW)
    return bool(plan_io.plan_json(plan))


FIXED = (
    {"brine_target": "22.5 %", "brine_reject_below": "22 %"},
    {"pretreat_rate_max": "0.3 gal/1000 ft2"},
    {"horizon": "12 h", "event_gap": "24 h"},
    {"liquid_stop_below": "5 F", "liquid_warn_below": "10 F", "solid_stop_below": "0 F"},
    {"max_wind": "5 mph", "go_probability": "90 %", "monitor_probability": "90 %"},
)


def test_rules_that_go_to_another_process_are_the_same_there():
    policy = {"reserve": "25 %", "max_wind": "12 mph", "salt_gradation": "missouri"}
    lot = {"class": "asphalt_lot", "area": "20000 ft2", "policy": {"max_wind": "8 mph"}}
    sites = parse_sites({"a": site_entry(43.1, -89.4, {"lot": lot})}, policy=policy)
    site = sites.sites["a"]
    for sent in (Practice(), sites.practice(), sites.practice(site, site.surfaces["lot"])):
        come = pickle.loads(pickle.dumps(sent))
        assert [come.rule_value(key) for key in RULES] == [sent.rule_value(key) for key in RULES]
    assert come.number("max_wind") == pytest.approx(units.parse("8 mph", "speed"))
    assert come.choice("salt_gradation") == "missouri"


@pytest.mark.parametrize("rules", FIXED, ids=lambda rules: next(iter(rules)))
def test_a_policy_at_its_limits_is_planned_or_refused(rules):
    plans(rules)


@pytest.mark.slow
@settings(deadline=None, max_examples=8, suppress_health_check=list(HealthCheck))
@example({"brine_target": "20 %"})
@given(POLICIES)
def test_whatever_policy_check_accepts_plans(rules):
    assume(plans(rules))
