"""What a reader must know about a plan, as data; and a verdict that is never calmer than that.

That unknown is not "nothing" needs no source: it is what the words mean.
"""

import ast
import csv
import io
import json
import math
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from helpers.diagnostics import only
from helpers.http_service import ScriptedReply
from helpers.published_tables import NOON, forecast_cell
from helpers.service import RunningCompany
from helpers.sites import parse_sites, site_entry

import stormplan
from stormplan.company.practice_rules import Practice
from stormplan.errors import ExitCode
from stormplan.events.detection import Outlook
from stormplan.events.hourly_conditions import Hour
from stormplan.events.unknown_hazards import unknown_hazard_hours
from stormplan.planning import plan_io
from stormplan.planning.diagnostics import (
    Diagnostic,
    DiagnosticCode,
    Severity,
    degraded,
    note,
)
from stormplan.planning.forecast_diagnostics import plan_verdict
from stormplan.planning.plan import Plan
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.service import health
from stormplan.units import UnitFormatter
from stormplan.words import briefing, diagnostic_text, exports, mix_sheet, terminal
from stormplan.words.first_screen import VERDICT_LABELS
from stormplan.words.formatting import ReportFormat

LOT = {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}}
COLD = {"air_temp_c": -8.0, "dew_point_c": -20.0, "cloud_frac": 1.0}
MILD = {"air_temp_c": 12.0, "dew_point_c": 4.0, "cloud_frac": 1.0}
PRECIP = ("precip_mm", "rain_mm", "snowfall_swe_mm", "freezing_rain_mm", "sleet_mm", "snowfall_cm")
NAN = math.nan
UNKNOWN = np.full(72, np.nan)
NO_PRECIP = dict.fromkeys((*PRECIP, "pop"), UNKNOWN)


def planned(*answers: SiteForecasts | None) -> Plan:
    sites = {
        f"s{at}": site_entry(round(43.1 + at / 10, 1), -89.4, LOT) for at in range(len(answers))
    }
    given = {key: a for key, a in zip(sites, answers, strict=True) if a is not None}
    return make_plan(parse_sites(sites), given, NOON)


def site(weather, **more) -> SiteForecasts:
    cell = forecast_cell(**(weather | more))
    given = {"precip_mm": more["precip_mm"][:, None]} if "precip_mm" in more else {}
    return SiteForecasts(replace(cell, values={**cell.values, **given}))


# -- the verdict ----------------------------------------------------------------------------------


def test_a_dry_cold_night_that_is_known_asks_for_nothing():
    plan = planned(site(COLD))
    assert plan.verdict == "nothing"
    assert plan.exit_code is ExitCode.COMPLETE
    assert plan.diagnostics == ()


def test_a_cold_night_without_precipitation_layers_is_unknown():
    plan = planned(site(COLD, **NO_PRECIP))
    assert plan.verdict == "unknown"
    assert plan.exit_code is ExitCode.DEGRADED
    found = only(plan, "hazard_unknown")
    assert (found.site, found.severity, found.text("variable")) == (
        "s0",
        Severity.DEGRADED,
        "precipitation",
    )
    assert found.quantity("hours") == 72.0


def test_an_unknown_site_is_never_told_as_quiet():
    plan = planned(site(COLD, **NO_PRECIP), site(MILD))
    view = briefing.build_view(plan)
    unknown, quiet = view.sites
    assert not unknown.is_uneventful
    assert unknown.summary == "not known: look at the pavement"
    assert unknown.problem[0] == "Not known"
    assert (quiet.is_uneventful, quiet.summary, quiet.problem) == (True, "nothing to do", None)
    assert "NOT KNOWN: precipitation not known" in " ".join(terminal.render_text(view).split())
    rows = list(csv.DictReader(io.StringIO(exports.treatments_csv(plan))))
    assert [row["action"] for row in rows] == ["not known", "nothing"]
    first, second = json.loads(exports.sites_geojson(plan))["features"]
    assert first["properties"]["problem"].startswith("Not known: precipitation")
    assert second["properties"]["problem"] is None


def test_one_unknown_hour_of_a_cold_night_is_enough():
    gap = np.zeros(72)
    gap[15] = np.nan
    plan = planned(site(COLD, **dict.fromkeys((*PRECIP, "pop"), gap)))
    assert plan.verdict == "unknown"
    (start,) = {
        one.text("after")
        for one in plan.diagnostics
        if one.code == "hazard_unknown" and one.text("variable") == "precipitation"
    }
    assert datetime.fromisoformat(start) == NOON + timedelta(hours=15)


def test_a_source_that_rules_precipitation_out_is_believed_without_an_amount():
    def hour(**more):
        known = dict.fromkeys(Hour._fields, 0.0) | {"start": NOON, "hazard": None}
        unknown = dict.fromkeys(("rain_mm", "snowfall_swe_mm", "freezing_rain_mm", "sleet_mm"), NAN)
        return Hour(**(known | unknown | {"surface_c": -5.0, "prob_below_freezing": 1.0} | more))

    def unknown(**more):
        outlook = Outlook((hour(**more),), (), ())
        return [what for what, _ in unknown_hazard_hours(outlook, Practice())]

    assert unknown(pop=0.05) == []
    assert unknown(pop=0.5) == ["precipitation"]
    assert unknown(pop=NAN) == ["precipitation"]
    assert unknown(pop=NAN, prob_below_freezing=0.01) == []
    assert unknown(pop=0.0, surface_c=NAN, air_c=-5.0) == ["pavement"]
    assert unknown(pop=0.0, surface_c=NAN, air_c=15.0) == []
    assert unknown(pop=0.0, surface_c=NAN, air_c=NAN) == ["pavement"]


def test_a_mild_day_without_precipitation_layers_is_no_hazard():
    # nothing freezes on pavement some 10 K above freezing, whatever falls
    plan = planned(site(MILD, **NO_PRECIP))
    assert plan.verdict == "nothing"
    assert plan.exit_code is ExitCode.DEGRADED  # the layers are missing all the same


@pytest.mark.parametrize(("weather", "verdict"), [(COLD, "unknown"), (MILD, "nothing")])
def test_pavement_that_is_lost_after_a_day_is_a_hazard_only_where_the_air_is_cold(weather, verdict):
    dew = np.full(72, weather["dew_point_c"])
    dew[30:] = np.nan
    plan = planned(site(weather, dew_point_c=dew))
    assert plan.verdict == verdict
    assert only(plan, "pavement_known_until").quantity("known_h") == 30.0


def test_one_of_two_sites_without_forecast_leaves_the_answer_unknown():
    plan = planned(site(MILD), SiteForecasts(None, "outside coverage"))
    assert plan.verdict == "unknown"
    assert plan.exit_code is ExitCode.DEGRADED
    assert plan.no_forecast_reason("s0") is None
    assert plan.no_forecast_reason("s1") == "outside coverage"
    view = briefing.build_view(plan)
    assert view.verdict == "NOT KNOWN"
    assert "Not known for Site 43.2" in view.headline
    assert "No hazard on any pavement" not in terminal.render_text(view)


def test_work_at_one_site_is_go_and_the_other_is_still_said():
    snow = np.zeros(72)
    snow[8:14] = 1.0
    weather = COLD | {"snowfall_swe_mm": snow, "snowfall_cm": 1.3 * snow, "pop": 1.0}
    plan = planned(site(weather), None)
    assert plan.verdict == "go"
    assert "Not known for Site 43.2" in briefing.build_view(plan).headline
    assert plan.exit_code is ExitCode.DEGRADED


def test_no_forecast_anywhere_is_unknown_and_nothing_planned():
    plan = planned(None, None)
    assert plan.verdict == "unknown"
    assert plan.exit_code is ExitCode.NOTHING_PLANNED
    assert briefing.build_view(plan).verdict == "NO FORECAST"
    assert json.loads(plan_io.plan_json(plan))["verdict"] == "unknown"
    features = json.loads(exports.sites_geojson(plan))["features"]
    assert {one["properties"]["problem"] for one in features} == {
        "No forecast: no source was asked"
    }


def test_every_verdict_has_its_headline_word():
    assert set(VERDICT_LABELS) == {"go", "wait", "nothing", "unknown"}
    assert len(set(VERDICT_LABELS.values())) == 4


@pytest.mark.parametrize("code", ["no_forecast", "hazard_unknown"])
def test_nothing_is_never_said_beside_an_unknown_hazard(code):
    unknown = degraded(DiagnosticCode(code), site="a")
    assert plan_verdict(False, False, [unknown]) == "unknown"
    assert plan_verdict(False, True, [unknown]) == "wait"
    assert plan_verdict(True, False, [unknown]) == "go"
    assert plan_verdict(False, False, [note(DiagnosticCode.LAYER_ENDS)]) == "nothing"


# -- the routine ----------------------------------------------------------------------------------


@pytest.fixture
def company(tmp_path, replay, monkeypatch):
    monkeypatch.setenv("HOOK_SECRET", "a key")
    hook = {"url": f"{replay.base_url}/hook", "secret_env": "HOOK_SECRET"}
    replay.script("/hook", ScriptedReply("ok", 200, {"Content-Type": "text/plain"}))
    return RunningCompany(tmp_path, replay, webhook=hook)


def test_no_forecast_in_webhook_heartbeat_and_health_is_not_nothing(company, replay):
    result = company.step()
    assert result.plan.exit_code is ExitCode.NOTHING_PLANNED
    body = json.loads(next(one.body for one in replay.requests if one.path == "/hook"))
    assert body["verdict"] == "unknown"
    assert "no_forecast" in {one["code"] for one in body["diagnostics"]}
    beat = json.loads((company.out / "heartbeat.json").read_text())
    assert (beat["verdict"], beat["exit_code"]) == ("unknown", 4)
    found = health.check_health(company.config)
    assert found.exit_code is ExitCode.NOTHING_PLANNED
    assert any("no forecast" in line for line in found.lines)


def test_the_run_is_planned_again_soon_when_the_answer_is_unknown(company):
    assert company.step().next_step_at == company.now + timedelta(minutes=30)


# -- the list -------------------------------------------------------------------------------------


def test_other_sources_that_failed_are_a_warning_and_not_degraded():
    answer = SiteForecasts(forecast_cell(**COLD), other_failures=("metno: 503",))
    plan = planned(answer)
    assert only(plan, "other_source_failed").severity is Severity.WARNING
    assert plan.exit_code is ExitCode.COMPLETE
    assert diagnostic_text.problem_lines(plan) == (
        "Site 43.1: no forecast to compare with (metno: 503)",
    )


@pytest.mark.parametrize("severity", Severity)
def test_exit_code_is_a_view_of_the_severities(severity):
    plan = planned(site(COLD))
    more = plan.with_diagnostics(Diagnostic(code=DiagnosticCode.RUN_LATE, severity=severity))
    expected = ExitCode.DEGRADED if severity in ("degraded", "failed") else ExitCode.COMPLETE
    assert more.exit_code is expected


def test_sites_with_the_same_sentence_share_a_line():
    plan = planned(None, None, None)
    (line,) = diagnostic_text.degraded_lines(plan)
    assert line == "Site 43.1, Site 43.2 and Site 43.3: no forecast (no source was asked)"


def test_the_list_survives_its_json():
    plan = planned(site(COLD, **NO_PRECIP), None)
    again = Plan.model_validate_json(plan_io.plan_json(plan))
    assert again.diagnostics == plan.diagnostics


VALUES = {
    "reason": "because",
    "text": "text",
    "cell": "1,1",
    "variable": "snow",
    "findings": ("one", "two"),
    "age_h": 13.0,
    "hours": 400.0,
    "known_h": 28.0,
    "delay_h": 3.0,
    "offset_h": 0.5,
    "after": NOON.isoformat(),
    "until": NOON.isoformat(),
    "now": NOON.isoformat(),
    "previous": NOON.isoformat(),
    "at": NOON.isoformat(),
    "folder": "reports",
    "channel": "mail",
    "recipient": "owner@test.example",
    "failures": 2.0,
    "entries": 2.0,
    "other": "North yard",
    "distance_km": 9000.0,
    "yard": "North yard",
    "store": "t1",
    "sprayer": "Truck 1",
    "booked": 500.0,
    "measured": 400.0,
    "difference": -100.0,
    "limit": 50.0,
    "loaded": 700.0,
    "mistake": "east for west",
}


def test_every_code_has_a_sentence_of_its_own():
    from zoneinfo import ZoneInfo

    fmt = ReportFormat(UnitFormatter("us"), ZoneInfo("America/Chicago"))
    sentences = {
        code: diagnostic_text.diagnostic_lines(
            [degraded(code, site="a", source="nws", **VALUES)], fmt, {"a": "Elm"}
        )[0]
        for code in DiagnosticCode
    }
    assert len(set(sentences.values())) == len(DiagnosticCode)
    assert all(text.startswith("Elm: ") for text in sentences.values())
    assert not any("None" in text for text in sentences.values())


def branches_on_sentences(tree: ast.AST) -> list[int]:
    """Lines that look for a phrase in an error's text, or ask whether a text begins with one."""
    lines = []
    for node in ast.walk(tree):
        match node:
            case ast.Compare(
                left=ast.Constant(value=str()),
                ops=[ast.In()],
                comparators=[ast.Call(func=ast.Name(id="str"))],
            ):
                lines.append(node.lineno)
            case ast.Call(
                func=ast.Attribute(attr="startswith"), args=[ast.Constant(value=str(text))]
            ) if " " in text:
                lines.append(node.lineno)
    return lines


def test_nothing_branches_on_sentences():
    package = Path(stormplan.__file__).parent
    found = {
        (path.name, line)
        for path in package.rglob("*.py")
        for line in branches_on_sentences(ast.parse(path.read_text(encoding="utf-8")))
    }
    assert found == set()
    wrong = 'if "is damaged" in str(error) or what.startswith("no forecast"):\n    pass\n'
    assert branches_on_sentences(ast.parse(wrong)) == [1, 1]


def test_a_mix_sheet_of_unknown_sites_never_says_nothing_to_spray():
    # a shed lead who reads "nothing to spray" goes home: common practice, no source
    blind = make_plan(parse_sites({"a": site_entry(43.1, -89.4)}), {}, NOON)
    (sheet,) = mix_sheet.mix_sheet_views(blind)
    assert sheet.unknown_sites == "Site 43.1"
    page = mix_sheet.render_html(blind)
    assert "NOT KNOWN whether to spray" in page
    assert "Not known for Site 43.1." in page
    assert "Nothing to spray" not in page
    known = mix_sheet.render_html(planned(site(COLD)))
    assert "Nothing to spray" in known
    assert "NOT KNOWN" not in known
