"""A file of offers: what suppliers' sheets say of salt and liquids, and what they ask for it.

What a sheet does not say stays unknown: nothing is assumed in a seller's favor.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Literal

from pydantic import Field, ValidationError, model_validator

from stormplan.company.sites import ProductEntry
from stormplan.company.validators import (
    Key,
    Mass,
    Name,
    Percentage,
    Record,
    one_of,
    quantity,
)
from stormplan.company.yaml_records import (
    FileKind,
    KeyPath,
    aliases,
    describe_problem,
    dotted_path,
    line_of,
    read_tree,
    record_at,
    suggestion,
    to_plain,
)
from stormplan.errors import OffersError, Problem

#: Sieves of a salt's gradation by ASTM D632, the coarsest first.
Sieve = Literal["1/2 in", "3/8 in", "No. 4", "No. 8", "No. 30"]

Price = Annotated[float, quantity("price by volume", "0 /gal", "1000 /gal")]
SaltPrice = Annotated[float, quantity("price by mass", "0 /ton", "100000 /ton")]
#: Pavement at which a liquid is compared: below freezing, above the eutectic of salt brine.
WORKING_TEMP_LIMITS = ("-4 F", "31 F")
WorkingTemp = Annotated[float, quantity("temperature", *WORKING_TEMP_LIMITS)]
Rate = Annotated[float, quantity("liquid rate", "0.05 gal/1000 ft2", "3 gal/1000 ft2")]
MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
LotVolume = Annotated[float, quantity("volume", "1 gal", "100000 gal")]


class SaltOffer(Record):
    """Salt that is offered.

    Attributes
    ----------
    name, supplier : str
        What the sheet calls it, and who sells it.
    nacl_frac : float or None
        NaCl as delivered, moisture counted in [-]; None where the sheet does not say.
    moisture_frac : float or None
        Water in it [-]; None where the sheet does not say.
    insolubles_frac : float or None
        What does not dissolve [-]; None where the sheet does not say.
    treated : bool
        Whether anything has been added to it: chlorides, organics, color.
    passing_frac : dict
        What passes each sieve by weight [-]; empty where the sheet has no gradation.
    assay : date or None
        Day of the certificate of analysis; None without one.
    price_per_kg : float
        Price, in the file's currency [1/kg].
    freight_per_kg : float or None
        Delivery to the yard [1/kg]; None where nobody said.
    """

    name: Name
    supplier: Name
    nacl_frac: Annotated[float, quantity("percentage", "50 %", "100 %")] | None = Field(
        None, alias="nacl"
    )
    moisture_frac: Annotated[float, quantity("percentage", "0 %", "20 %")] | None = Field(
        None, alias="moisture"
    )
    insolubles_frac: Annotated[float, quantity("percentage", "0 %", "20 %")] | None = Field(
        None, alias="insolubles"
    )
    treated: bool
    passing_frac: dict[Sieve, Percentage] = Field(default_factory=dict, alias="passing")
    assay: date | None = None
    price_per_kg: SaltPrice = Field(alias="price")
    freight_per_kg: SaltPrice | None = Field(None, alias="freight")

    @model_validator(mode="after")
    def _parts_fit(self) -> SaltOffer:
        parts = sum(
            part or 0.0 for part in (self.nacl_frac, self.moisture_frac, self.insolubles_frac)
        )
        if parts > 1.0 + 1e-9:
            raise ValueError(
                f"nacl, moisture and insolubles add up to {100 * parts:.4g} %;"
                " accepted: at most 100 %, nacl being that of the salt as delivered"
            )
        return self

    @property
    def delivered_price_per_kg(self) -> float:
        """Price with delivery, as far as that is known [1/kg]."""
        return self.price_per_kg + (self.freight_per_kg or 0.0)


class LiquidOffer(ProductEntry):
    """A liquid that is offered: brine, or additive for it.

    What it shares with a product of the sites file is written the same way.

    Attributes
    ----------
    supplier : str
        Who sells it.
    total_solids_frac : float or None
        All solids by weight, where the sheet says no more than that [-].
    organic : str or None
        What organic or polymer is in it, like beet or molasses; None for none.
    corrosion_frac : float or None
        Steel it takes in the test of the inhibitor, against plain salt [-]; None without a test.
    assay : date or None
        Day of the certificate of analysis; None without one.
    price_per_l : float
        Price, in the file's currency [1/L].
    freight_per_l : float or None
        Delivery to the yard [1/L]; None where nobody said.
    lot_l : float or None
        It is sold in whole lots of this, like a tote [L]; None by the gallon.
    stock_l : float or None
        Most of it that can be had [L]; None without limit.
    is_brine : bool
        Whether it is brine ready-made, to be sprayed as it is; else it is an additive.
    """

    supplier: Name
    total_solids_frac: Percentage | None = Field(None, alias="total_solids")
    organic: Name | None = None
    corrosion_frac: Annotated[float, quantity("percentage", "0 %", "200 %")] | None = Field(
        None, alias="corrosion"
    )
    assay: date | None = None
    price_per_l: Price = Field(alias="price")
    freight_per_l: Price | None = Field(None, alias="freight")
    lot_l: LotVolume | None = Field(None, alias="lot")
    stock_l: LotVolume | None = Field(None, alias="most_to_be_had")
    is_brine: bool = Field(False, alias="brine")

    @model_validator(mode="after")
    def _solids_fit(self) -> LiquidOffer:
        chlorides = self.nacl + self.cacl2 + self.mgcl2 + self.kcl
        if not 0.0 <= chlorides + self.inert_frac < 0.75:
            raise ValueError(
                f"chlorides and inert add up to {100 * (chlorides + self.inert_frac):.3g} %;"
                " accepted: below 75 %"
            )
        if chlorides == 0.0 and self.total_solids_frac is None:
            raise ValueError(
                "no chloride is given; write nacl, cacl2, mgcl2 or kcl, or total_solids where the"
                " sheet says no more"
            )
        return self

    @property
    def names_its_chlorides(self) -> bool:
        """Whether the sheet says which chlorides are in it."""
        return self.nacl + self.cacl2 + self.mgcl2 + self.kcl > 0.0

    @property
    def delivered_price_per_l(self) -> float:
        """Price with delivery, as far as that is known [1/L]."""
        return self.price_per_l + (self.freight_per_l or 0.0)


class BlendNeed(Record):
    """Water to be held on some evenings of a month.

    Attributes
    ----------
    month : str
        In which.
    temp_c : float
        Of the pavement [°C].
    water_m : float
        Water from above to be kept liquid, as a depth [m].
    area_m2 : float
        Treated each time [m²].
    passes : int
        How many times [-].
    """

    month: Annotated[str, one_of("month", MONTHS)]
    temp_c: WorkingTemp = Field(alias="temperature")
    water_m: Annotated[float, quantity("length", "0.001 mm", "10 mm")] = Field(alias="water")
    area_m2: Annotated[float, quantity("area", "100 ft2")] = Field(alias="area")
    passes: Annotated[int, Field(ge=1, le=400)] = 1

    @property
    def treated_m2(self) -> float:
        """Area times passes [m²]."""
        return self.area_m2 * self.passes


class BlendNeeds(Record):
    """What a winter's liquids are to do, for the least-cost blend.

    Attributes
    ----------
    surface : str
        vehicle or pedestrian: whose rules hold.
    poor_concrete : bool
        Whether some of it is young or poor concrete.
    min_rate_l_m2, max_rate_l_m2 : float or None
        Lowest and highest rate [L/m²]; None for those of the policy.
    chloride_budget_kg : float or None
        Most chloride in all [kg]; None without one.
    brine_of : str or None
        Salt that own brine is made of; None for the cheapest that lacks nothing.
    cases : tuple of BlendNeed
        By month and temperature; empty to take what one's own plans were to hold.
    """

    surface: Literal["vehicle", "pedestrian"]
    poor_concrete: bool = False
    min_rate_l_m2: Rate | None = Field(None, alias="min_rate")
    max_rate_l_m2: Rate | None = Field(None, alias="max_rate")
    chloride_budget_kg: Mass | None = Field(None, alias="chloride_budget")
    brine_of: str | None = None
    cases: tuple[BlendNeed, ...] = ()


class Offers(Record):
    """All offers, and what they are compared by.

    Attributes
    ----------
    note : str or None
        Said with the table.
    currency : str
        Of all prices.
    working_temps_c : tuple of float
        Pavement temperatures to compare at [°C]; empty to take those of one's own sites.
    tank_min_temp_c : float or None
        Coldest that the tanks get [°C]; None where nobody knows.
    brine_frac : float
        NaCl of the brine made of the salt [-].
    making_cost_per_l : float or None
        What making it costs besides salt: water, power, labor [1/L]; None where nobody knows.
    salt : dict
        Offers of salt by key.
    liquids : dict
        Offers of liquids by key.
    needs : BlendNeeds or None
        What they are for; None where only offers are compared.
    """

    note: str | None = None
    currency: Name = "USD"
    working_temps_c: tuple[WorkingTemp, ...] = Field((), alias="working_temperatures")
    tank_min_temp_c: Annotated[float, quantity("temperature", "-40 F", "80 F")] | None = Field(
        None, alias="coldest_tank"
    )
    brine_frac: Annotated[float, quantity("percentage", "18 %", "25 %")] = Field(
        0.233, alias="brine_strength"
    )
    making_cost_per_l: Price | None = Field(None, alias="making_cost")
    salt: dict[Key, SaltOffer] = Field(default_factory=dict)
    liquids: dict[Key, LiquidOffer] = Field(default_factory=dict)
    needs: BlendNeeds | None = None

    @model_validator(mode="after")
    def _something_is_offered(self) -> Offers:
        if not self.salt and not self.liquids:
            raise ValueError("nothing is offered; write salt or liquids")
        return self


OFFERS_FILE_KIND = FileKind("file of offers", Offers, OffersError)


def parse_offers(text: str, name: str = "offers.yaml") -> Offers:
    """Read a file of offers.

    Parameters
    ----------
    text : str
        What stands in it: YAML.
    name : str
        What problems are reported under.

    Returns
    -------
    Offers
        In SI.

    Raises
    ------
    OffersError
        Something in it is wrong; carries every problem found, with its line.
    """
    tree = read_tree(text, name, OFFERS_FILE_KIND)
    try:
        found = Offers.model_validate(to_plain(tree))
    except ValidationError as error:
        raise OffersError(
            [
                describe_problem(dict(detail), tree, name, _unknown_key_message)
                for detail in error.errors(include_url=False)
            ]
        ) from error
    problems = [
        Problem(name, line_of(tree, place), f"{dotted_path(place)}: {message}")
        for place, message in _wrong_keys(found)
    ]
    if problems:
        raise OffersError(problems)
    return found


def _wrong_keys(found: Offers) -> Iterator[tuple[KeyPath, str]]:
    """Yield keys that mean two things, or nothing that is there."""
    for key in found.liquids:
        if key in found.salt:
            yield ("liquids", key), f"'{key}' is a salt too; give one of them another key"
    brine_of = None if found.needs is None else found.needs.brine_of
    if brine_of is not None and brine_of not in found.salt:
        yield (
            ("needs", "brine_of"),
            f"no salt '{brine_of}'; {suggestion(brine_of, list(found.salt))}",
        )


def _unknown_key_message(detail: dict[str, object], key: str) -> str:
    place = detail["loc"]
    model = record_at(place[:-1] if isinstance(place, tuple) else (), Offers)
    return f"unknown key '{key}'; {suggestion(key, aliases(model))}"
