"""Workers make the plan that one process makes, to the byte, and however many of them are lost.

The reference is the same plan made in this process. Workers are lost as systems take them: killed
by signal 9.
"""

import pickle
import pickletools
from functools import partial

import pytest
from helpers import lost_workers
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.sites import BASE_SECTIONS, SURFACES, parse_sites, site_entry

from stormplan.errors import InputError, StormplanError
from stormplan.planning import plan_io, site_block
from stormplan.planning.isolation import plan_isolated
from stormplan.planning.plan import HourlySeries
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.planning.shared_hours import SharedHours
from stormplan.planning.site_block import SiteBlock
from stormplan.service import workers

HOURLY_NUMBERS = [name for name in HourlySeries.model_fields if name not in ("start", "hazard")]
KEYS = [f"s{number}" for number in range(8)]
SITES = parse_sites(
    {key: site_entry(43 + at / 50, -89.4) for at, key in enumerate(KEYS)},
    policy={"horizon": "48 h", "rounds_wait": "0 min"},
)


@pytest.fixture(scope="module")
def forecasts():
    """Snow that comes later from site to site."""
    found = {}
    for at, key in enumerate(KEYS):
        snow = between_hours(10 + at, 15 + at, 0.5)
        cell = forecast_cell(
            air_temp_c=-3.0,
            dew_point_c=-4.0,
            snowfall_swe_mm=snow,
            snowfall_cm=snow,
            pop=0.8,
            name=f"TST/{at},1",
        )
        found[key] = SiteForecasts(cell)
    return found


@pytest.fixture(autouse=True)
def _small_blocks(monkeypatch):
    monkeypatch.setattr("stormplan.planning.site_batch.MAX_BLOCK_SITES", 2)


@pytest.fixture(scope="module")
def pool():
    opened = workers.process_pool(2)
    yield opened
    opened.close()


def planned(forecasts, mapper=map):
    return make_plan(SITES, forecasts, NOON, mapper)


def text(plan):
    return plan_io.plan_json(plan)


def whole_block(forecasts):
    cells = {key: found.forecasts for key, found in forecasts.items()}
    return SiteBlock(SITES, cells, NOON, {}, {}, {}, {})


def test_a_block_holds_nothing_of_other_sites(forecasts):
    blocks = list(site_block.split(whole_block(forecasts), KEYS))
    assert [list(block.sites.sites) for block in blocks] == [KEYS[n : n + 2] for n in (0, 2, 4, 6)]
    for block in blocks:
        assert block.cells.keys() == block.sites.sites.keys()
        assert not block.sites.clients
        assert len(block) == 2
        first, second = block.parts()
        assert [*first.sites.sites, *second.sites.sites] == list(block.sites.sites)
        assert first.parts() == ()


def test_a_block_holds_its_own_yards_only(forecasts):
    """Each yard is moved to one place, not all of them to each."""
    north = BASE_SECTIONS["yards"]["north"]
    yards = {key: north | {"name": key} for key in ("east", "west")}
    sites = parse_sites(
        {
            key: site_entry(43, -89.4, {"lot": SURFACES["lot"]}, yard=yard)
            for key, yard in (("s0", "east"), ("s1", "west"))
        },
        yards=yards,
    )
    cells = dict.fromkeys(sites.sites, forecasts["s0"].forecasts)
    whole = SiteBlock(sites, cells, NOON, {}, {}, {}, {})
    assert [list(whole.of([key]).sites.yards) for key in sites.sites] == [["east"], ["west"]]
    assert site_block.plan_block(whole) == {
        key: found
        for one in sites.sites
        for key, found in site_block.plan_block(whole.of([one])).items()
    }


def test_what_comes_back_of_a_block_are_records_of_the_plan_and_no_hours_of_members(forecasts):
    block = next(site_block.split(whole_block(forecasts), KEYS))
    found = site_block.plan_block(block)
    moved = {opcode[1] for opcode in pickletools.genops(pickle.dumps(found)) if opcode[1]}
    assert {"SitePlan", "HourlySeries"} <= moved
    assert not {"Outlook", "Hour", "SurfaceDecision", "CellForecast", "ndarray"} & moved
    assert list(found) == list(block.sites.sites)


def test_surfaces_of_a_block_keep_the_weather_they_have_in_common_once(forecasts):
    sites = parse_sites(
        {"s0": site_entry(43, -89.4, {key: SURFACES[key] for key in ("lot", "walk")})},
        policy={"horizon": "48 h"},
    )
    plan = make_plan(sites, forecasts, NOON)
    lot, walk = (plan.hourly[one.hourly_id] for one in plan.sites[0].surfaces)
    assert lot.air_c is walk.air_c
    assert lot.snowfall_swe_mm is walk.snowfall_swe_mm
    assert lot.surface_c != walk.surface_c
    given = {id(one.__pydantic_fields_set__) for one in plan.hourly.values()}
    assert len(given) == 1


def test_hours_kept_once_are_written_as_they_were():
    # each a tuple of its own, as they come from a worker
    series = HourlySeries(
        start=NOON,
        hazard=(None,) * 4,
        **{name: (0.0, None, -3.4, float("0.3")) for name in HOURLY_NUMBERS},
    )
    kept = SharedHours().hourly(series)
    assert kept.model_dump_json() == series.model_dump_json()
    assert kept.air_c is kept.dew_point_c
    known = (0.0, 0.0, -3.4, 0.3)
    other = SharedHours().hourly(series.model_copy(update={"dew_point_c": known}))
    assert other.dew_point_c == known
    assert other.dew_point_c[2] is other.air_c[2]


@pytest.mark.slow
def test_processes_make_the_same_plan_to_the_byte(forecasts, pool):
    assert text(planned(forecasts, pool.map)) == text(planned(forecasts))


@pytest.mark.slow
@pytest.mark.parametrize("stage", ["planning sites", "planning rounds"])
def test_a_worker_killed_in_the_middle_changes_nothing(forecasts, pool, tmp_path, stage):
    marker = tmp_path / "killed"

    def mapper(function, tasks):
        return pool.map(partial(lost_workers.killed_once, marker, stage, function), tasks)

    assert text(planned(forecasts, mapper)) == text(planned(forecasts))
    assert marker.exists()


@pytest.mark.slow
def test_a_site_that_kills_every_worker_is_the_only_one_without_a_plan(forecasts, pool):
    def mapper(function, tasks):
        return pool.map(partial(lost_workers.killed_at, "s5", function), tasks)

    def plan_sites(them):
        has_forecast = them["s5"].forecast is not None
        return planned(them, mapper if has_forecast else pool.map)

    plan = plan_isolated(plan_sites, forecasts)
    usual = {site.key: site for site in planned(forecasts).sites}
    for site in plan.sites:
        assert (site.source is None) is (site.key == "s5")
        assert site.key == "s5" or len(site.surfaces) == len(usual[site.key].surfaces)
    assert plan.unknown_sites == ("s5",)
    assert workers.WORKER_LOST in plan.no_forecast_reason("s5")


@pytest.mark.slow
def test_a_fault_on_a_worker_is_named_where_it_happens_and_without_its_words(forecasts, pool):
    def plan_sites(them):
        def mapper(function, tasks):
            return pool.map(partial(lost_workers.failing_at, "s5", function), tasks)

        return planned(them, mapper)

    known = {key: found for key, found in forecasts.items() if key in ("s4", "s5", "s6")}
    plan = plan_isolated(plan_sites, known)
    assert "s5" in plan.unknown_sites
    assert "s4" not in plan.unknown_sites
    assert "ZeroDivisionError" in plan.no_forecast_reason("s5")
    assert "secret" not in text(plan)


def test_one_worker_is_this_process_and_two_ways_at_once_are_refused():
    with workers.open_mapper() as mapper:
        assert mapper is map
    with (
        pytest.raises(InputError, match="either"),
        workers.open_mapper(2, "tcp://127.0.0.1:1"),
    ):
        pass


@pytest.mark.slow
def test_a_cluster_makes_the_same_plan_and_a_killed_worker_changes_nothing(forecasts, tmp_path):
    # Dask's own scheduler and workers, on this machine
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True
        ) as cluster,
        workers.open_mapper(cluster=cluster.scheduler_address) as mapper,
    ):
        marker = tmp_path / "killed"

        def killing(function, tasks):
            return mapper(
                partial(lost_workers.killed_once, marker, "planning sites", function), tasks
            )

        assert text(planned(forecasts, killing)) == text(planned(forecasts))
        assert marker.exists()


@pytest.mark.slow
def test_a_cluster_that_does_not_answer_is_said(monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(workers, "CONNECT_TIMEOUT_S", 0.5)
    with (
        pytest.raises(StormplanError, match=r"no cluster answers at tcp://127\.0\.0\.1:9"),
        workers.open_mapper(cluster="tcp://127.0.0.1:9"),
    ):
        pass
