"""A fault of the program itself takes only its own site; checked with faults put in by hand."""

import pytest
from helpers.service import MINUTE, OWNER, RunningCompany, serve_storm
from helpers.smtp import run_mail_server

from stormplan.company import sites_file
from stormplan.errors import ExitCode, InputError
from stormplan.planning import site_block
from stormplan.planning.isolation import plan_isolated
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.service import health, pipeline
from stormplan.service.pipeline import DEMO_NOW
from stormplan.treatment import decide
from stormplan.words import diagnostic_text


@pytest.fixture(scope="module")
def demo():
    """The demonstration's sites, their forecasts, and its plan."""
    folder = pipeline.files("stormplan") / "demo"
    sites = sites_file.parse_sites((folder / "sites.yaml").read_text(encoding="utf-8"))
    source = pipeline.RecordedSource(folder, credit="invented")
    gathered = pipeline.fetch_forecasts([source], pipeline._locations(sites), DEMO_NOW)
    forecasts = pipeline._site_forecasts(gathered)
    return sites, forecasts, make_plan(sites, forecasts, DEMO_NOW)


def failing_at(sites, *broken, together=()):
    """Return a planning function that fails at some sites, or where some come together."""

    def plan_sites(forecasts):
        planned = {key for key, found in forecasts.items() if found.forecast is not None}
        if planned & set(broken) or (together and set(together) <= planned):
            raise ZeroDivisionError("a secret")
        return make_plan(sites, forecasts, DEMO_NOW)

    return plan_sites


def test_without_a_fault_it_is_the_plan(demo):
    sites, forecasts, plan = demo
    found = plan_isolated(lambda them: make_plan(sites, them, DEMO_NOW), forecasts)
    assert found.sites == plan.sites
    assert found.diagnostics == plan.diagnostics


def decided(site):
    """What is decided for a site, whatever the rounds make of its hours."""
    return [
        (surface.key, item.event, item.action, item.rate_l_m2, item.best_start, len(item.visits))
        for surface, item in site.treatments
    ]


def test_a_fault_at_a_site_leaves_the_others_their_plan_and_is_said(demo):
    sites, forecasts, plan = demo
    broken = plan.sites[1].key
    found = plan_isolated(failing_at(sites, broken), forecasts)
    for site, before in zip(found.sites, plan.sites, strict=True):
        assert (site.source is None) is (site.key == broken)
        assert site.key == broken or decided(site) == decided(before)
    assert broken in found.unknown_sites
    assert "ZeroDivisionError" in found.no_forecast_reason(broken)
    (fault,) = (one for one in found.diagnostics if one.code == "planning_fault")
    assert fault.texts("sites") == (broken,)
    said = "\n".join(diagnostic_text.degraded_lines(found))
    assert "stormplan itself failed at 1 site" in said
    assert "a secret" not in found.model_dump_json()
    assert found.exit_code is ExitCode.DEGRADED


def test_sites_that_fail_only_together_are_all_unknown(demo):
    sites, forecasts, plan = demo
    first, *_, last = (site.key for site in plan.sites)
    found = plan_isolated(failing_at(sites, together=(first, last)), forecasts)
    assert not found.has_forecast
    assert found.verdict == "unknown"
    assert found.exit_code is ExitCode.NOTHING_PLANNED


def test_our_own_errors_and_faults_without_any_forecast_come_out(demo):
    sites, forecasts, _ = demo

    def refuse(_):
        raise InputError("the sites file")

    with pytest.raises(InputError):
        plan_isolated(refuse, forecasts)
    with pytest.raises(KeyError):
        plan_isolated(lambda _: {}["nothing"], forecasts)
    assert make_plan(sites, {"nowhere": SiteForecasts(None)}, DEMO_NOW).verdict == "unknown"


@pytest.mark.slow
@pytest.mark.parametrize("module", [site_block, decide])
def test_a_fault_of_planning_still_mails_a_morning_and_is_over_when_it_is(
    tmp_path, replay, monkeypatch, module
):
    """The lot is not told it is safe: the morning says that stormplan failed, and where."""

    def fail(*args, **kwargs):
        raise IndexError("by hand")

    name = {site_block: "site_plan", decide: "decide"}[module]
    with run_mail_server() as server:
        ours = RunningCompany(tmp_path, replay, server)
        serve_storm(replay)
        with monkeypatch.context() as patched:
            patched.setattr(module, name, fail)
            first = ours.step()
            assert (first.kind, first.announced, first.plan.verdict) == (
                "briefing", True, "unknown",
            )  # fmt: skip
            assert health.check_health(ours.config).exit_code is ExitCode.NOTHING_PLANNED
        again = ours.step(31 * MINUTE)
        assert (again.kind, again.announced, again.plan.verdict) == ("storm", True, "go")
        first_mail, second_mail = server.mails_to(OWNER)
        assert "stormplan itself failed at 1 site" in first_mail.get_body(("plain",)).get_content()
        assert "itself failed" not in second_mail.get_body(("plain",)).get_content()
