"""The company, its yards, products, clients and sites: typed records, already in SI.

The field's alias is the key in the sites file; the field's name says the unit it has inside. A
quantity is written with its unit (``area: 42000 ft2``) and nothing is guessed: what a plan needs
and nobody wrote is an error, not a default.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, time
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import (
    Discriminator,
    Field,
    PrivateAttr,
    Tag,
    model_validator,
)

from stormplan import units as unit
from stormplan.company.catalog import (
    BUILD_UPS,
    MATERIALS,
    SURFACE_CLASSES,
    BuildUp,
    Product,
    SurfaceClass,
)
from stormplan.company.delivery_settings import DeliverySettings, ScheduleSettings
from stormplan.company.policy import Policy, SitePolicy, SurfacePolicy, given_rules
from stormplan.company.practice_rules import Practice
from stormplan.company.record_rules import OwnRules
from stormplan.company.skyline import BEARING_DEG, WallGeometry, horizon_deg, sky_view_frac
from stormplan.company.validators import (
    BaseUrl,
    Contact,
    EnvironmentVariable,
    HoursOfDay,
    Key,
    Latitude,
    Longitude,
    Name,
    Percentage,
    PhoneNumber,
    Record,
    TimeOfDay,
    TimeZoneName,
    one_of,
    quantity,
)
from stormplan.company.yards import Yard

SOURCE_KEYS = (
    *("nws", "metno", "openmeteo", "openmeteo_ensemble"),
    *("nbm", "hrrr", "table", "recorded"),
)
PAID_SOURCES = ("openmeteo", "openmeteo_ensemble")  # free for non-commercial use only
PAID_HOST = "open-meteo.com"
BRINE_KEY = "brine"  # the product every yard can make


MIN_SKY_VIEW_FRAC = 0.05

# -- the records ----------------------------------------------------------------------------------


class Company(Record):
    """The company.

    Attributes
    ----------
    name : str
        Its name, as clients know it.
    timezone : str
        IANA name such as America/Chicago; local times in the plan are in this zone.
    units : str
        us or metric: the words of the plan.
    contact : str
        Mail or web address sent to the weather services, who require it.
    phone : str or None
        Number clients call, day or night; it stands in every notice.
    currency : str
        Of every price in this file.
    briefing_at : time
        Local time the briefing is to be there.
    router_url : str or None
        Address of a router of one's own that gives driving times, an OSRM server.
    """

    name: Name
    timezone: TimeZoneName
    units: unit.UnitSystem = "us"
    contact: Contact
    phone: PhoneNumber | None = None
    currency: Name = "USD"
    briefing_at: TimeOfDay = time(4, 30)
    router_url: BaseUrl | None = None


class SourceSettings(Record):
    """Address and license terms of one weather service.

    Attributes
    ----------
    base_url : str or None
        Its address, where it is not the usual one.
    key_env : str or None
        Environment variable that holds the key.
    non_commercial : bool
        Whether the use is non-commercial, for a service that is free only then.
    """

    base_url: BaseUrl | None = None
    key_env: EnvironmentVariable | None = None
    non_commercial: bool = False


class GridSettings(Record):
    """Where the gridded files (GRIB2) of one model are.

    Attributes
    ----------
    base_url : str or None
        Server of them, where it is not the public one; it must give parts of files.
    folder : str or None
        Folder of files that are here already; then no server is asked.
    """

    base_url: BaseUrl | None = None
    folder: Annotated[str, Field(min_length=1)] | None = None

    @model_validator(mode="after")
    def _one_place(self) -> GridSettings:
        if self.base_url is not None and self.folder is not None:
            raise ValueError("both base_url and folder are given; keep the one that is to be read")
        return self


class WeatherSettings(Record):
    """Forecast sources; paths are relative to the sites file.

    Attributes
    ----------
    sources : tuple of str
        Sources in order of preference.
    nws : SourceSettings
        National Weather Service, United States.
    metno : SourceSettings
        MET Norway, worldwide.
    openmeteo : SourceSettings
        Open-Meteo, worldwide; companies need a key.
    openmeteo_ensemble : SourceSettings
        The same with all members: chances from real runs.
    nbm : GridSettings
        NOAA's National Blend of Models: gridded files, contiguous United States.
    hrrr : GridSettings
        NOAA's High-Resolution Rapid Refresh: the same.
    tables : dict
        An hourly CSV table of one's own by site key.
    recorded : str or None
        Folder of recorded forecasts, to plan a past storm again.
    """

    sources: tuple[Annotated[str, one_of("source", SOURCE_KEYS)], ...] = Field(
        ("nws",), min_length=1
    )
    nws: SourceSettings = SourceSettings()
    metno: SourceSettings = SourceSettings()
    openmeteo: SourceSettings = SourceSettings()
    openmeteo_ensemble: SourceSettings = SourceSettings()
    nbm: GridSettings = GridSettings()
    hrrr: GridSettings = GridSettings()
    tables: dict[Key, str] = Field(default_factory=dict)  # site key -> CSV of one's own station
    recorded: str | None = None  # folder of recorded forecasts

    def service(self, name: str) -> SourceSettings:
        """Return the settings of a service on the network."""
        settings: SourceSettings = getattr(self, name)
        return settings

    @model_validator(mode="after")
    def _sources_can_run(self) -> WeatherSettings:
        if len(set(self.sources)) < len(self.sources):
            raise ValueError(f"a source is listed twice: {', '.join(self.sources)}; keep one")
        for name in set(self.sources) & set(PAID_SOURCES):
            service = self.service(name)
            public = service.base_url is None or PAID_HOST in service.base_url
            if public and service.key_env is None and not service.non_commercial:
                raise ValueError(
                    f"{name} is free for non-commercial use only; accepted: key_env, the name of "
                    "the environment variable that holds your key, or non_commercial: true"
                )
        if "table" in self.sources and not self.tables:
            raise ValueError("source 'table' needs 'tables', a CSV file for each site that has one")
        if "recorded" in self.sources and self.recorded is None:
            raise ValueError("source 'recorded' needs 'recorded', a folder of recorded forecasts")
        return self


class ProductEntry(Record):
    """A liquid the yard buys.

    Attributes
    ----------
    name : str
        Its name on the drum.
    nacl, cacl2, mgcl2, kcl : float
        How much of this chloride is in it, by weight [-].
    inert_frac : float
        Dissolved solids that do not lower the freeze point, by weight [-].
    density_kg_l : float or None
        Density at 60 °F from the supplier's sheet; left out, it is computed [kg/L].
    freeze_point_c : float or None
        Freeze point from the supplier's sheet; left out, it is computed [°C].
    max_vol_frac : float
        Most of it in any blend, by volume [-].
    inhibited : bool
        Has a corrosion inhibitor; false is a straight chloride.
    odor : bool
        Smells: not used at entries and walks.
    tracks_indoors : bool
        Is carried indoors on shoes: not used at entries and walks.
    price_per_l : float or None
        Price of it, in the company's currency [1/L].
    """

    name: Name
    nacl: Percentage = 0.0
    cacl2: Percentage = 0.0
    mgcl2: Percentage = 0.0
    kcl: Percentage = 0.0
    inert_frac: Percentage = Field(0.0, alias="inert")
    density_kg_l: Annotated[float, quantity("density", "0.9 kg/L", "1.6 kg/L")] | None = Field(
        None, alias="density"
    )
    freeze_point_c: Annotated[float, quantity("temperature", "-80 C", "5 C")] | None = Field(
        None, alias="freeze_point"
    )
    max_vol_frac: Percentage = Field(0.2, alias="max_in_blend")
    inhibited: bool = False
    odor: bool
    tracks_indoors: bool
    price_per_l: Annotated[float, quantity("price by volume", "0 /gal")] | None = Field(
        None, alias="price"
    )

    @model_validator(mode="after")
    def _solids_fit(self) -> ProductEntry:
        solids = self.nacl + self.cacl2 + self.mgcl2 + self.kcl + self.inert_frac
        if not 0 < solids < 0.75:
            raise ValueError(
                f"chlorides and inert add up to {100 * solids:.3g} %;"
                " accepted: above 0 and below 75 %"
            )
        return self

    def product(self, key: str) -> Product:
        """Return the entry as a catalog product."""
        return Product(
            key=key,
            name=self.name,
            chlorides={
                "nacl": self.nacl,
                "cacl2": self.cacl2,
                "mgcl2": self.mgcl2,
                "kcl": self.kcl,
            },
            inert_frac=self.inert_frac,
            density_kg_l=self.density_kg_l,
            freeze_point_c=self.freeze_point_c,
            max_vol_frac=self.max_vol_frac,
            inhibited=self.inhibited,
            odor=self.odor,
            tracks_indoors=self.tracks_indoors,
            price_per_l=self.price_per_l,
        )


class Client(Record):
    """A client, and the account manager's way to contact them.

    Attributes
    ----------
    name : str
        Their name.
    contact : str or None
        Mail address notices are drafted to.
    phone : str or None
        Number for calls and text messages.
    contact_by : str
        How they want to be told: mail, text or call.
    """

    name: Name
    contact: Contact | None = None
    phone: PhoneNumber | None = None
    contact_by: Literal["mail", "text", "call"] = "mail"


class Layer(Record):
    """One layer of a build-up of the owner's own.

    Attributes
    ----------
    material : str
        What it is made of.
    thickness_m : float
        How thick it is [m].
    """

    material: Annotated[str, one_of("material", MATERIALS)]
    thickness_m: Annotated[float, quantity("length", "5 mm", "2 m")] = Field(alias="thickness")


class LayeredBuildUp(Record):
    """A build-up described layer by layer.

    Attributes
    ----------
    layers : tuple of Layer
        Layers from the top down.
    below : str
        What is under the last: ground, open air or heated room.
    surface_properties_of : str
        Build-up that color and texture are taken from.
    """

    layers: tuple[Layer, ...] = Field(min_length=1)
    below: Literal["ground", "open air", "heated room"] = "ground"
    surface_properties_of: Annotated[
        str, one_of("build-up", BUILD_UPS)
    ]  # for what is not said here


def _build_up_tag(value: object) -> str:
    return "by name" if isinstance(value, str) else "by layers"


AnyBuildUp = Annotated[
    Annotated[str, one_of("build-up", BUILD_UPS), Tag("by name")]
    | Annotated[LayeredBuildUp, Tag("by layers")],
    Discriminator(_build_up_tag),
]


class Wall(Record):
    """A wall, or a row of trees, that hides sun and sky from a surface.

    Attributes
    ----------
    side : str
        On which side it stands.
    distance_m : float
        How far from the middle of the surface [m].
    height_m : float
        How high it is [m].
    """

    side: Literal["N", "NE", "E", "SE", "S", "SW", "W", "NW"]
    distance_m: Annotated[float, quantity("length", "1 ft", "1000 ft")] = Field(alias="distance")
    height_m: Annotated[float, quantity("length", "1 ft", "1000 ft")] = Field(alias="height")

    @property
    def geometry(self) -> WallGeometry:
        """Bearing, distance and height."""
        return WallGeometry(float(BEARING_DEG[self.side]), self.distance_m, self.height_m)


class Surface(Record):
    """One surface of a site that is treated as a whole.

    Attributes
    ----------
    class_key : str
        What kind of surface it is.
    name : str or None
        What crews call it.
    area_m2 : float
        Its area; every gallon follows from it [m²].
    build_up : str or LayeredBuildUp or None
        What it is built of, where not as usual for its class.
    sky_view_frac : float or None
        Share of the sky it sees, 0.05 to 1 [-].
    walls : tuple of Wall
        What hides sun and sky.
    sheltered : bool
        Walls or trees keep the wind off.
    traffic_wm2 : float
        Heat from traffic [W/m²].
    beside_building : bool
        Runs along a building, where people walk in.
    over_room : bool
        Lies over a room.
    reinforced : bool
        Has reinforcing steel, which chlorides attack.
    snow_pile : bool
        Melt water from a pile runs across it.
    poor_concrete : bool
        Scaled or never air-entrained concrete: no magnesium.
    no_chlorides : bool
        The owner says no chlorides, or it is an airfield surface.
    new_concrete_until : date or None
        No de-icer before this day.
    policy : SurfacePolicy
        Rules of practice for this surface only.
    """

    class_key: Annotated[str, one_of("surface class", SURFACE_CLASSES)] = Field(alias="class")
    name: Name | None = None
    area_m2: Annotated[float, quantity("area", "10 ft2", "1000 acre")] = Field(alias="area")
    build_up: AnyBuildUp | None = None
    sky_view_frac: float | None = Field(None, ge=MIN_SKY_VIEW_FRAC, le=1, alias="sky_view")
    walls: tuple[Wall, ...] = ()
    sheltered: bool = False
    traffic_wm2: Annotated[float, quantity("heat", "0 W/m2", "50 W/m2")] = Field(
        0.0, alias="traffic_heat"
    )
    beside_building: bool = False
    over_room: bool = False
    reinforced: bool = False
    snow_pile: bool = False
    poor_concrete: bool = False
    no_chlorides: bool = False
    new_concrete_until: date | None = None
    policy: SurfacePolicy = SurfacePolicy()

    @property
    def surface_class(self) -> SurfaceClass:
        """The class's own record."""
        return SURFACE_CLASSES[self.class_key]

    @property
    def label(self) -> str:
        """Name for readers."""
        return self.name or self.surface_class.label

    @property
    def skyline_deg(self) -> tuple[float, ...]:
        """Height of the skyline by azimuth, from its walls; empty without any [°]."""
        return horizon_deg([wall.geometry for wall in self.walls])

    @property
    def effective_sky_view_frac(self) -> float:
        """Part of the sky it sees: as written, else what its walls leave of its class's [-]."""
        if self.sky_view_frac is not None:
            return self.sky_view_frac
        left = sky_view_frac(self.skyline_deg)
        return max(left * self.surface_class.sky_view_frac, MIN_SKY_VIEW_FRAC)

    @property
    def needs_sensitive_blend(self) -> bool:
        """Gets the strong blend by common practice."""
        return (
            self.surface_class.sensitive
            or self.beside_building
            or self.over_room
            or self.reinforced
        )

    @property
    def effective_build_up(self) -> BuildUp:
        """Build-up as written, else its class's."""
        if isinstance(self.build_up, LayeredBuildUp):
            reference = BUILD_UPS[self.build_up.surface_properties_of]
            return BuildUp(
                tuple((layer.material, layer.thickness_m) for layer in self.build_up.layers),
                self.build_up.below,
                reference.albedo,
                reference.emissivity,
                reference.texture_mm,
            )
        return BUILD_UPS[self.build_up or self.surface_class.build_up]


class Site(Record):
    """A property: where it is, whose it is, who serves it, and its surfaces.

    Attributes
    ----------
    name : str
        What people call it.
    latitude_deg, longitude_deg : float
        Where it is, degrees; west is negative [°].
    client : str
        Key of the client.
    yard : str
        Key of the yard that serves it.
    priority : int
        1 is served first, 5 last [-].
    open_hours : (time, time) or None
        When people are on it, like 06:00-22:00.
    timezone : str or None
        Only where it differs from the company's.
    surfaces : dict
        Its surfaces by key.
    policy : SitePolicy
        Rules of practice for this site only.
    """

    name: Name
    latitude_deg: Latitude = Field(alias="latitude")
    longitude_deg: Longitude = Field(alias="longitude")
    client: str
    yard: str
    priority: int = Field(ge=1, le=5)
    open_hours: HoursOfDay | None = None
    timezone: TimeZoneName | None = None
    surfaces: dict[Key, Surface] = Field(min_length=1)
    policy: SitePolicy = SitePolicy()


class Sites(Record):
    """The sites file of stormplan: company, yards, clients and sites.

    Attributes
    ----------
    company : Company
        The company.
    weather : WeatherSettings
        Where forecasts come from.
    policy : Policy
        Rules of practice that differ from the usual ones; `stormplan policy` lists all.
    purchased_products : dict
        Liquids the yards buy, by key; brine needs no entry.
    yards : dict
        Yards by key.
    clients : dict
        Clients by key.
    sites : dict
        Sites by key.
    record_rules : OwnRules or None
        What the company asks of its own record, for `stormplan record missing`.
    drive_times : str or None
        Table of driving minutes, beside this file; CSV with from, to and minutes.
    readings : str or None
        Log of surface readings, beside this file; they correct nights.
    schedule : ScheduleSettings
        For `stormplan watch`.
    delivery : DeliverySettings
        Where each announced briefing goes, besides its folder.
    """

    company: Company
    weather: WeatherSettings = WeatherSettings()
    policy: Policy = Policy()
    purchased_products: dict[Key, ProductEntry] = Field(default_factory=dict, alias="products")
    yards: dict[Key, Yard] = Field(min_length=1)
    clients: dict[Key, Client] = Field(min_length=1)
    sites: dict[Key, Site] = Field(min_length=1)
    record_rules: OwnRules | None = None  # what the company asks of its own record
    drive_times: str | None = None  # table of driving minutes
    readings: str | None = None  # log of surface readings, for the correction of nights
    schedule: ScheduleSettings = ScheduleSettings()
    delivery: DeliverySettings = DeliverySettings()
    _drive_minutes: dict[tuple[str, str], float] = PrivateAttr(default_factory=dict)

    @property
    def drive_minutes(self) -> Mapping[tuple[str, str], float]:
        """Driving minutes by pair of keys, as read from ``drive_times`` [min]."""
        return self._drive_minutes

    def with_drive_minutes(self, drive_minutes: Mapping[tuple[str, str], float]) -> Sites:
        """Return the same company with a table of driving minutes.

        Parameters
        ----------
        drive_minutes : mapping of (str, str) to float
            By keys of yards and sites [min].
        """
        copy = self.model_copy()
        copy._drive_minutes = dict(drive_minutes)
        return copy

    @property
    def products(self) -> dict[str, Product]:
        """Products by key: what is bought, and the brine that every yard makes."""
        strength = self.practice().number("brine_target")
        yard_brine = Product(key=BRINE_KEY, name="salt brine", chlorides={"nacl": strength})
        return {BRINE_KEY: yard_brine} | {
            key: entry.product(key) for key, entry in self.purchased_products.items()
        }

    def practice(self, site: Site | None = None, surface: Surface | None = None) -> Practice:
        """Return the rules as they stand for the company, a site or one of its surfaces."""
        overrides = [("company", given_rules(self.policy))]
        if site is not None:
            overrides.append(("site", given_rules(site.policy)))
        if surface is not None:
            overrides.append(("surface", given_rules(surface.policy)))
        return Practice(*overrides)

    def zone(self, site: Site) -> ZoneInfo:
        """Return the time zone of a site."""
        return ZoneInfo(site.timezone or self.company.timezone)


def references(raw: Mapping[str, Any]) -> list[tuple[tuple[str, ...], str, str, tuple[str, ...]]]:
    """List what the file's entries point at: (place, kind of thing, key named, keys that exist).

    Parameters
    ----------
    raw : mapping
        The file as read, before any check; wrong shapes are passed over.

    Returns
    -------
    list of tuple
        One entry per reference, whether it resolves or not.
    """

    def section(node: object, key: str) -> Mapping[str, Any]:
        section_found = node.get(key) if isinstance(node, Mapping) else None
        return section_found if isinstance(section_found, Mapping) else {}

    yards, clients = tuple(section(raw, "yards")), tuple(section(raw, "clients"))
    products = (BRINE_KEY, *section(raw, "products"))
    found: list[tuple[tuple[str, ...], str, str, tuple[str, ...]]] = []

    def add_reference(
        place: tuple[str, ...], node: object, key: str, kind: str, known: tuple[str, ...]
    ) -> None:
        if isinstance(node, Mapping) and isinstance(node.get(key), str):
            found.append(((*place, key), kind, node[key], known))

    for site_key, site in section(raw, "sites").items():
        add_reference(("sites", site_key), site, "client", "client", clients)
        add_reference(("sites", site_key), site, "yard", "yard", yards)
    for yard_key, yard in section(raw, "yards").items():
        for tank_key, tank in section(yard, "tanks").items():
            add_reference(
                ("yards", yard_key, "tanks", tank_key), tank, "product", "product", products
            )
        for product in section(yard, "stock"):
            found.append((("yards", yard_key, "stock", product), "product", product, products))
        bought = tuple(section(raw, "products"))
        for product in section(section(yard, "supply"), "products"):
            place = ("yards", yard_key, "supply", "products", product)
            found.append((place, "product", product, bought))
    for site_key in section(section(raw, "weather"), "tables"):
        found.append(
            (("weather", "tables", site_key), "site", site_key, tuple(section(raw, "sites")))
        )
    return found
