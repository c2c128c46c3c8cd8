"""A yard as written: its salt, tanks, mixer and sprayers; typed records, already in SI.

As in ``sites``, a field's alias is its key in the file, and its name says the unit inside.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import (
    AwareDatetime,
    Field,
    model_validator,
)

from stormplan import units as unit
from stormplan.company.validators import (
    HoursOfDay,
    Key,
    Latitude,
    Longitude,
    Mass,
    Name,
    Record,
    Volume,
    quantity,
)

LeadTime = Annotated[float, quantity("duration", "0 h", "60 d")]
#: A bag as it is mostly sold in the United States: common practice, no source.
USUAL_BAG_KG = unit.parse("50 lb", "mass")


class SaltStock(Record):
    """The yard's salt pile.

    Attributes
    ----------
    on_hand_kg : float
        Salt on hand [kg].
    purity_frac : float
        NaCl in the salt as delivered, moisture counted in [-].
    moisture_frac : float
        Water in it [-].
    insolubles_frac : float
        What does not dissolve [-].
    bucket_kg : float or None
        What the loader lifts at once [kg].
    bag_kg : float
        What a bag holds, of salt and of sand [kg].
    price_per_kg : float or None
        Price of the salt, in the company's currency [1/kg].
    """

    on_hand_kg: Mass = Field(alias="on_hand")
    purity_frac: Annotated[float, quantity("percentage", "70 %", "100 %")] = Field(alias="purity")
    moisture_frac: Annotated[float, quantity("percentage", "0 %", "10 %")] = Field(alias="moisture")
    insolubles_frac: Annotated[float, quantity("percentage", "0 %", "10 %")] = Field(
        alias="insolubles"
    )
    bucket_kg: Annotated[float, quantity("mass", "1 lb", "20 ton")] | None = Field(
        None, alias="bucket"
    )
    bag_kg: Annotated[float, quantity("mass", "1 lb", "200 lb")] = Field(USUAL_BAG_KG, alias="bag")
    price_per_kg: Annotated[float, quantity("price by mass", "0 /ton")] | None = Field(
        None, alias="price"
    )

    @model_validator(mode="after")
    def _parts_fit(self) -> SaltStock:
        parts = self.purity_frac + self.moisture_frac + self.insolubles_frac
        if parts > 1 + 1e-9:
            raise ValueError(
                f"purity, moisture and insolubles add up to {100 * parts:.4g} %;"
                " accepted: at most 100 %"
            )
        return self

    @property
    def is_bagged(self) -> bool:
        """Whether all salt comes in bags, that for brine too: bag is written, bucket is not."""
        return "bag_kg" in self.model_fields_set and self.bucket_kg is None


class TankReading(Record):
    """The last look at a tank: by hydrometer, by salometer, or as a known strength.

    Attributes
    ----------
    specific_gravity : float or None
        Hydrometer reading [-].
    salometer_deg : float or None
        Salometer reading [°].
    strength_frac : float or None
        Chloride by weight, where it is known [-].
    temp_c : float or None
        Temperature of the liquid when it was read [°C].
    taken_at : datetime or date
        When it was read.
    """

    specific_gravity: float | None = Field(None, ge=0.99, le=1.45)
    salometer_deg: float | None = Field(None, ge=0, le=100, alias="salometer")
    strength_frac: Annotated[float, quantity("percentage", "0 %", "45 %")] | None = Field(
        None, alias="strength"
    )
    temp_c: Annotated[float, quantity("temperature", "-40 F", "120 F")] | None = Field(
        None, alias="temperature"
    )
    taken_at: AwareDatetime | date

    @model_validator(mode="after")
    def _one_instrument(self) -> TankReading:
        given = (self.specific_gravity, self.salometer_deg, self.strength_frac)
        if sum(value is not None for value in given) != 1:
            raise ValueError("give exactly one of specific_gravity, salometer, strength")
        if self.strength_frac is None and self.temp_c is None:
            raise ValueError(
                "a hydrometer reading needs 'temperature', the temperature of the brine"
            )
        return self


class Tank(Record):
    """A tank in the yard: what it holds, how much fits, how much is in it.

    Attributes
    ----------
    product : str
        brine, or a key of products.
    capacity_l : float
        How much fits [L].
    on_hand_l : float
        What is in it [L].
    heel_l : float
        What the pump cannot reach [L].
    reading : TankReading or None
        The last reading; brine of unknown strength is not drawn on.
    """

    product: str
    capacity_l: Annotated[float, quantity("volume", "1 gal", "1000000 gal")] = Field(
        alias="capacity"
    )
    on_hand_l: Volume = Field(alias="on_hand")
    heel_l: Volume = Field(0.0, alias="heel")
    reading: TankReading | None = None

    @model_validator(mode="after")
    def _fits(self) -> Tank:
        if max(self.on_hand_l, self.heel_l) > self.capacity_l:
            raise ValueError("on_hand and heel must not exceed capacity")
        return self


class Mixer(Record):
    """The brine maker.

    Attributes
    ----------
    production_rate_l_h : float
        What it makes in an hour [L/h].
    max_batch_l : float
        Its largest batch [L].
    """

    production_rate_l_h: Annotated[float, quantity("pumping rate", "1 gal/h")] = Field(
        alias="production_rate"
    )
    max_batch_l: Annotated[float, quantity("volume", "1 gal")] = Field(alias="max_batch")


class BrineSupply(Record):
    """Brine that is bought ready-made.

    Attributes
    ----------
    order_ahead_h : float or None
        From the order until it is in the tank [h].
    price_per_l : float or None
        Price of it, in the company's currency [1/L].
    """

    order_ahead_h: Annotated[float, quantity("duration", "0 h", "240 h")] | None = Field(
        None, alias="order_ahead"
    )
    price_per_l: Annotated[float, quantity("price by volume", "0 /gal")] | None = Field(
        None, alias="price"
    )


class SaltSupply(Record):
    """How salt is ordered.

    Attributes
    ----------
    lead_time_h : float
        From the order until it is on the pile [h].
    lot_kg : float
        What comes at once; orders are whole lots [kg].
    room_kg : float or None
        What the shed holds [kg]; None where nobody said.
    emergency_price_per_kg : float or None
        What it costs, all told, where it is needed at once, in the company's currency [1/kg].
    """

    lead_time_h: LeadTime = Field(alias="lead_time")
    lot_kg: Annotated[float, quantity("mass", "50 lb", "1000 ton")] = Field(alias="lot")
    room_kg: Mass | None = Field(None, alias="room")
    emergency_price_per_kg: Annotated[float, quantity("price by mass", "0 /ton")] | None = Field(
        None, alias="emergency_price"
    )


class ProductSupply(Record):
    """How a product is ordered.

    Attributes
    ----------
    lead_time_h : float
        From the order until it is in the yard [h].
    lot_l : float
        What comes at once; orders are whole lots [L].
    room_l : float or None
        What can stand in the yard besides its tanks [L]; None where nobody said.
    emergency_price_per_l : float or None
        What it costs, all told, where it is needed at once, in the company's currency [1/L].
    """

    lead_time_h: LeadTime = Field(alias="lead_time")
    lot_l: Annotated[float, quantity("volume", "1 gal", "50000 gal")] = Field(alias="lot")
    room_l: Volume | None = Field(None, alias="room")
    emergency_price_per_l: Annotated[float, quantity("price by volume", "0 /gal")] | None = Field(
        None, alias="emergency_price"
    )


class Supply(Record):
    """How a yard orders what it uses.

    Attributes
    ----------
    salt : SaltSupply or None
        The salt of its pile.
    products : dict
        Bought products by key.
    """

    salt: SaltSupply | None = None
    products: dict[str, ProductSupply] = Field(default_factory=dict)


class Sprayer(Record):
    """A truck, cart or backpack that sprays.

    Attributes
    ----------
    name : str
        What people call it.
    tank_l : float
        What its tank holds [L].
    coverage_rate_m2_h : float
        Area it covers in an hour while spraying [m²/h].
    min_rate_l_m2, max_rate_l_m2 : float
        Lowest and highest rate it can spray at [L/m²].
    refill_h : float
        Time at the yard to fill it [h]; driving is counted apart.
    serves : tuple of str
        Surfaces it can work on: vehicle, pedestrian, or both.
    shift : (time, time) or None
        When its crew works, like 18:00-06:00; None where it works whenever it is needed.
    """

    name: Name
    tank_l: Annotated[float, quantity("volume", "1 gal", "20000 gal")] = Field(alias="tank")
    coverage_rate_m2_h: Annotated[float, quantity("area rate", "100 ft2/h")] = Field(
        alias="coverage_rate"
    )
    min_rate_l_m2: Annotated[float, quantity("liquid rate", "0 gal/1000 ft2")] = Field(
        alias="min_rate"
    )
    max_rate_l_m2: Annotated[float, quantity("liquid rate", "0.1 gal/1000 ft2")] = Field(
        alias="max_rate"
    )
    refill_h: Annotated[float, quantity("duration", "0 min", "8 h")] = Field(alias="refill")
    serves: tuple[Literal["vehicle", "pedestrian"], ...] = ("vehicle", "pedestrian")
    shift: HoursOfDay | None = None

    @model_validator(mode="after")
    def _rates_ordered(self) -> Sprayer:
        if self.min_rate_l_m2 > self.max_rate_l_m2:
            raise ValueError("min_rate must not exceed max_rate")
        return self


class Spreader(Record):
    """A truck or cart that spreads salt and sand; ``plows`` may name the same one.

    Attributes
    ----------
    name : str
        What people call it.
    hopper_kg : float
        What its hopper holds [kg].
    coverage_rate_m2_h : float
        Area it covers in an hour while spreading [m²/h].
    reload_h : float
        Time at the pile to load it [h]; driving is counted apart.
    serves : tuple of str
        Surfaces it can work on: vehicle, pedestrian, or both.
    shift : (time, time) or None
        When its crew works, like 18:00-06:00; None where it works whenever it is needed.
    """

    name: Name
    hopper_kg: Annotated[float, quantity("mass", "10 lb", "40 ton")] = Field(alias="hopper")
    coverage_rate_m2_h: Annotated[float, quantity("area rate", "100 ft2/h")] = Field(
        alias="coverage_rate"
    )
    reload_h: Annotated[float, quantity("duration", "0 min", "8 h")] = Field(alias="reload")
    serves: tuple[Literal["vehicle", "pedestrian"], ...] = ("vehicle", "pedestrian")
    shift: HoursOfDay | None = None


class Plow(Record):
    """A plow truck, loader or shovel crew; ``spreaders`` may name the same one.

    Attributes
    ----------
    name : str
        What people call it.
    coverage_rate_m2_h : float
        Area it clears in an hour [m²/h].
    serves : tuple of str
        Surfaces it can work on: vehicle, pedestrian, or both.
    shift : (time, time) or None
        When its crew works, like 18:00-06:00; None where it works whenever it is needed.
    """

    name: Name
    coverage_rate_m2_h: Annotated[float, quantity("area rate", "100 ft2/h")] = Field(
        alias="coverage_rate"
    )
    serves: tuple[Literal["vehicle", "pedestrian"], ...] = ("vehicle", "pedestrian")
    shift: HoursOfDay | None = None


class Yard(Record):
    """A yard: salt, tanks, sprayers, and its brine maker unless it buys its brine.

    Attributes
    ----------
    name : str
        What people call it.
    latitude_deg, longitude_deg : float
        Where it is, degrees; west is negative [°].
    salt : SaltStock
        The salt pile.
    tanks : dict
        Its tanks by key.
    stock_l : dict
        Bought product that stands in totes, not in a tank, by its key [L].
    mixer : Mixer or None
        The brine maker; left out where brine is bought.
    brine_supply : BrineSupply or None
        How brine is bought, where there is no mixer.
    supply : Supply
        How salt and products are ordered; what is not in it is not ordered by plans.
    sprayers : dict
        Its sprayers by key.
    spreaders, plows : dict
        Its spreaders and plows by key, where their rounds are to be planned; one that does both has
        the same key in both, and one that sprays too that of its sprayer.
    containment_l : float or None
        What the wall around the tanks holds [L].
    water_temp_c : float
        Temperature of the water brine is made with [°C].
    counted_at : datetime, date or None
        When what is on hand was counted; the record counts from there.
    """

    name: Name
    latitude_deg: Latitude = Field(alias="latitude")
    longitude_deg: Longitude = Field(alias="longitude")
    salt: SaltStock
    tanks: dict[Key, Tank] = Field(min_length=1)
    stock_l: dict[str, Volume] = Field(default_factory=dict, alias="stock")
    mixer: Mixer | None = None
    brine_supply: BrineSupply | None = None
    supply: Supply = Supply()
    sprayers: dict[Key, Sprayer] = Field(min_length=1)
    spreaders: dict[Key, Spreader] = Field(default_factory=dict)
    plows: dict[Key, Plow] = Field(default_factory=dict)
    containment_l: Annotated[float, quantity("volume", "0 gal")] | None = Field(
        None, alias="containment"
    )
    water_temp_c: Annotated[float, quantity("temperature", "32 F", "100 F")] = Field(
        unit.f_to_c(50), alias="water_temperature"
    )
    counted_at: AwareDatetime | date | None = None  # when what is on hand was counted

    @model_validator(mode="after")
    def _made_or_bought(self) -> Yard:
        if self.mixer is not None and self.brine_supply is not None:
            raise ValueError(
                "give mixer where the yard makes its brine, brine_supply where it buys it, not both"
            )
        return self

    @model_validator(mode="after")
    def _names_are_free(self) -> Yard:
        if "salt" in self.tanks or "salt" in self.stock_l:
            raise ValueError("'salt' is the name of the pile; give the tank or product another")
        return self

    @model_validator(mode="after")
    def _one_name_a_key(self) -> Yard:
        names: dict[str, str] = {}
        for vehicles in (self.sprayers, self.spreaders, self.plows):
            for key, one in vehicles.items():
                if names.setdefault(key, one.name) != one.name:
                    raise ValueError(
                        f"'{key}' is one vehicle, and is called {names[key]} and {one.name}"
                    )
        return self
