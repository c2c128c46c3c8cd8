"""The brine bench: one typed question in, one answer out, as words and as JSON.

Joins what was typed, the chemistry and the wording for the commands ``mix``, ``gauge`` and
``blend``. No chemistry of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import get_args

from stormplan.cli.brine_calculator import arguments, figures, text
from stormplan.cli.brine_calculator.figures import Sheet
from stormplan.company.catalog import HANDLING, Product
from stormplan.errors import InputError
from stormplan.liquids import batch, blend, brine, cold_storage, hydrometer
from stormplan.liquids.batch import Correction, Salt
from stormplan.liquids.blend import Cold, Liquid
from stormplan.liquids.density import spread_kg_m3
from stormplan.liquids.hydrometer import Gauged
from stormplan.units import L_PER_GAL, Speaker, System

COOLING_SPREAD = 0.2  # of the cooling: heat of solution and heat capacity are that well known
USUAL_VOLUME_GAL, USUAL_VOLUME_L = 1000, 5000  # a correction is said for this much unless told


@dataclass(frozen=True)
class Answer:
    """What the bench says: lines for people, a flat sheet for programs."""

    lines: list[str]
    sheet: Sheet


def system(said: str) -> System:
    """Read which units to speak."""
    for known in get_args(System):
        if said == known:
            return "us" if known == "us" else "metric"
    raise InputError(f"--units: '{said}' is not known; accepted is us or metric")


def _solid_spread_dc(strength_frac: float, strength_spread_frac: float = 0.0) -> float:
    """How far the freeze point of plain brine may be off, its strength [-] being so sure [K]."""

    def freezes_c(strength: float) -> float:
        held = min(max(strength, 0.0), hydrometer.SALOMETER_FULL_FRAC - 0.002)
        return float(cold_storage.first_solid_c(brine.molality(brine.plain(held))))

    molality = brine.molality(brine.plain(strength_frac))
    drops = bool(brine.crystal_onset_c(molality) > brine.freeze_point_c(molality))
    here = freezes_c(strength_frac)
    edges = (strength_frac - strength_spread_frac, strength_frac + strength_spread_frac)
    return float(cold_storage.spread_dc(here, drops)) + max(abs(freezes_c(e) - here) for e in edges)


# ------------------------------------------------------------------------------ mix


def mix(
    *,
    gallons: str | None,
    litres: str | None,
    strength: str,
    purity: str,
    moisture: str,
    insolubles: str,
    treated: bool,
    have: str | None,
    tank_capacity: str | None,
    water_temp: str | None,
    units: str,
) -> Answer:
    """Answer what to put into a batch, or into a tank that is off its strength."""
    speak = system(units)
    target = arguments.percent(strength, "--strength")
    salt = arguments.salt(purity, moisture, insolubles)
    wanted_l = _wanted_l(gallons, litres)
    capacity = _capacity_l(tank_capacity, speak)
    water_c = _temp_c(water_temp, "--water-temp", speak)
    if have is not None:
        return _mix_onto(have, wanted_l, target, salt, capacity, treated, speak)
    if wanted_l is None:
        raise InputError(
            "say how much to make, as --gallons 2500, or what is in the tank, as --have 1000@20"
        )
    batch.check_fits(wanted_l, capacity, "a batch")
    return _new_batch(wanted_l, target, salt, treated, water_c, speak)


def _capacity_l(said: str | None, speak: System) -> float | None:
    return None if said is None else arguments.volume_l(said, "--tank-capacity", speak)


def _temp_c(said: str | None, option: str, speak: System) -> float:
    """Read a temperature [°C], 60 °F where none was given."""
    return hydrometer.REFERENCE_C if said is None else arguments.temp_c(said, option, speak)


def _wanted_l(gallons: str | None, litres: str | None) -> float | None:
    if gallons is not None and litres is not None:
        raise InputError("--gallons and --litres both say how much; give one")
    if gallons is not None:
        return arguments.volume_l(gallons, "--gallons", "us")
    return None if litres is None else arguments.volume_l(litres, "--litres", "metric")


def _new_batch(
    volume_l: float, target: float, salt: Salt, treated: bool, water_c: float, speak: System
) -> Answer:
    made = batch.make(volume_l, target, salt, water_c)
    cautions = [text.CAUTIONS[key] for key in batch.cautions(target, salt, treated)]
    spread_dc = _solid_spread_dc(target)
    speaker = Speaker(speak)
    return Answer(
        [
            *text.batch(made, salt, spread_dc, speaker),
            *text.warnings(cautions),
        ],
        {
            **figures.batch(made, spread_dc, COOLING_SPREAD * made.cooling_dc, speak),
            "uncertainty": "mass balance exact to the purity given; freeze point "
            + text.spread(spread_dc, speaker),
            "warnings": cautions,
        },
    )


def _mix_onto(
    have: str,
    wanted_l: float | None,
    target: float,
    salt: Salt,
    capacity: float | None,
    treated: bool,
    speak: System,
) -> Answer:
    have_l, have_frac = arguments.volume_at_strength(have, "--have", speak)
    if wanted_l is None:
        found = batch.correct(have_l, have_frac, target, salt, capacity)
    else:
        found = batch.top_up(have_l, have_frac, wanted_l, target, salt, capacity)
    # What salt is worth is no matter where only water goes in.
    reasons = batch.cautions(target, salt, treated)
    kept = [key for key in reasons if found.add_salt_kg > 0.0 or key == "over strength"]
    cautions = [text.CAUTIONS[key] for key in kept]
    spread_dc = _solid_spread_dc(target)
    freezes_c = float(cold_storage.first_solid_c(brine.molality(brine.plain(target))))
    sg_60f = float(hydrometer.reading_sg(target, hydrometer.REFERENCE_C))
    speaker = Speaker(speak)
    said = text.spread(spread_dc, speaker)
    return Answer(
        [
            *text.correction(found, speaker),
            f"It then {text.freezes(target, freezes_c, spread_dc, speaker)}.",
            "Circulate, then read it again before you spray.",
            *text.warnings(cautions),
        ],
        {
            **figures.correction(found, have_l, have_frac, speak),
            **figures.temp("freeze_point", freezes_c, speak),
            **figures.warmth("freeze_point_plus_minus", spread_dc, speak),
            "sg_60f": figures.rounded(sg_60f),
            "uncertainty": f"as sure as the strength given for the tank; freeze point {said}",
            "warnings": cautions,
        },
    )


# ------------------------------------------------------------------------------ gauge


def gauge(
    *,
    reading: str | None,
    salometer: str | None,
    temp: str | None,
    target: str,
    accept: str,
    warn: str,
    is_blend: bool,
    treated: bool,
    gallons: str | None,
    litres: str | None,
    purity: str,
    moisture: str,
    insolubles: str,
    tank_capacity: str | None,
    units: str,
) -> Answer:
    """Answer what a hydrometer reading means and what to add."""
    speak = system(units)
    bands = arguments.bands(target, accept, warn)
    salt = arguments.salt(purity, moisture, insolubles)
    temp_c = _temp_c(temp, "--temp", speak)
    found = hydrometer.gauge(
        _read_sg(reading, salometer), temp_c, bands, is_blend=is_blend, is_treated_salt=treated
    )
    capacity = _capacity_l(tank_capacity, speak)
    volume_l = _wanted_l(gallons, litres) or (
        USUAL_VOLUME_GAL * L_PER_GAL if speak == "us" else float(USUAL_VOLUME_L)
    )
    spread_dc = _solid_spread_dc(found.strength_frac, hydrometer.STRENGTH_SPREAD_FRAC)
    speaker = Speaker(speak)
    lines = text.gauged(found, bands, spread_dc, speaker)
    sheet = figures.gauged(found, bands, spread_dc, speak)
    fix = None
    if not found.doubts:
        # Doubtful readings get no advice: water or salt added on a wrong reading costs twice.
        fix = batch.correct(volume_l, found.strength_frac, bands.target_frac, salt, capacity)
        lines += _fix_lines(found, fix, volume_l, speaker)
    own = bands == hydrometer.OWN_BANDS
    if not found.doubts and own:
        lines.append("The bands are our own choice: no published one was found.")
    if salometer is not None:
        lines.append("Salometer taken as 100° = 26.4 % at 60 °F; other scales exist, check yours.")
    sure = f"strength give or take {100 * hydrometer.STRENGTH_SPREAD_FRAC:g} %"
    return Answer(
        lines,
        {
            **sheet,
            **figures.volume("for", volume_l, speak),
            **figures.added(fix, speak),
            "bands_source": "our own choice" if own else "given",
            "uncertainty": f"{sure}; freeze point {text.spread(spread_dc, speaker)}",
            "warnings": [text.DOUBTS[doubt] for doubt in found.doubts],
        },
    )


def _read_sg(reading: str | None, salometer: str | None) -> float:
    if (reading is None) == (salometer is None):
        raise InputError(
            "give one reading, as --reading 1.178 for specific gravity or --salometer 88"
        )
    if reading is not None:
        return arguments.number(reading, "--reading", 0.9, 2.0)
    degrees = arguments.number(str(salometer), "--salometer", 0.0, 120.0)
    return float(hydrometer.sg_from_salometer(degrees))


def _fix_lines(found: Gauged, fix: Correction, volume_l: float, speaker: Speaker) -> list[str]:
    per = text.volume(volume_l, speaker)
    if found.verdict == "accept":
        return [f"Leave it. (To hit the target exactly, {per} would take:)"] + [
            f"  {line}" for line in text.correction(fix, speaker)
        ]
    return [f"For {per} in the tank:", *text.correction(fix, speaker)]


# ------------------------------------------------------------------------------ blend


def blend_answer(
    *,
    base: str,
    additive: str | None,
    share: str,
    dilute: str,
    at: str | None,
    temp: str | None,
    tank_low: str | None,
    gallons: str | None,
    litres: str | None,
    products: Mapping[str, Product],
    units: str,
) -> Answer:
    """Answer what comes of base brine, additive and water, and what it does in the cold."""
    speak = system(units)
    poured_base, base_product = arguments.poured(base, "--brine", products)
    share_frac, added, product = _additive(additive, share, products)
    temp_c = _temp_c(temp, "--temp", speak)
    recipe = Recipe(
        base=poured_base,
        added=added,
        product=product or base_product,
        share_frac=share_frac,
        water_parts=arguments.number(dilute, "--dilute", 0.0, 1000.0),
        finished_l=_wanted_l(gallons, litres),
    )
    asked = Asked(
        temp_c=temp_c,
        at_c=None if at is None else _temp_c(at, "--at", speak),
        low_c=temp_c if tank_low is None else _temp_c(tank_low, "--tank-low", speak),
    )
    answer = _blend_sheet(recipe, asked, speak)
    answer.sheet["base_product"] = base_product.key if base_product else None
    answer.sheet["additive_product"] = product.key if product else None
    return answer


@dataclass(frozen=True)
class Asked:
    """Temperatures asked about: of the liquid, of the ice question, the tank's coldest [°C]."""

    temp_c: float
    at_c: float | None
    low_c: float


@dataclass(frozen=True)
class Recipe:
    """What is poured together: base, additive and its share by volume, water per blend [-].

    ``product`` is a bought product in it; ``finished_l`` the volume wanted of it all [L].
    """

    base: Liquid
    added: Liquid | None
    product: Product | None
    share_frac: float
    water_parts: float
    finished_l: float | None

    def mixed(self, water_parts: float) -> tuple[Liquid, float]:
        """Mix it with so much water; the liquid and its contraction [-]."""
        parts = [
            (1.0 - self.share_frac, self.base),
            (self.share_frac, self.added or blend.WATER),
            (water_parts, blend.WATER),
        ]
        return blend.mix(parts)

    def match(self) -> tuple[float, float] | None:
        """Find the base with which ice and crystals arrive together, where that is a question."""
        if self.added is None or self.share_frac == 0.0 or not self.base.is_plain_brine:
            return None
        return blend.matching_base(self.added, self.share_frac)

    def poured_l(self) -> dict[str, float]:
        """Say what to pour [L]; contraction of a blend is below 0.1 % and left out."""
        if self.finished_l is None:
            return {}
        blended_l = self.finished_l / (1.0 + self.water_parts)
        return {
            "finished": self.finished_l,
            "brine": blended_l * (1.0 - self.share_frac),
            "additive": blended_l * self.share_frac,
            "water": blended_l * self.water_parts,
        }


def _blend_sheet(recipe: Recipe, asked: Asked, speak: System) -> Answer:
    speaker = Speaker(speak)
    stored, stored_contraction = recipe.mixed(0.0)
    final, contraction = recipe.mixed(recipe.water_parts)
    in_tank, in_the_end = blend.in_the_cold(stored), blend.in_the_cold(final)
    match, at_c = recipe.match(), asked.at_c
    ice_frac = None if at_c is None else blend.ice_frac(final, at_c)
    cautions = _blend_cautions(recipe, stored, in_tank, asked.low_c, match, speaker)

    lines = text.blended(final, in_the_end, asked.temp_c, recipe.water_parts, speaker)
    if at_c is not None and ice_frac is not None:
        lines.append(text.icy(final, ice_frac, at_c, in_the_end, speaker))
    if recipe.water_parts > 0.0:
        lines += ["Undiluted, in the tank:", *text.cold(in_tank, speaker)]
    lines += text.poured(recipe.poured_l(), speaker)
    sheet: Sheet = {
        **figures.liquid(final, contraction, in_the_end, asked.temp_c),
        **figures.both("temp", asked.temp_c),
        **figures.both("at", at_c),
        "ice_fraction": figures.rounded(ice_frac),
        "additive_share_vol_pct": figures.rounded(100 * recipe.share_frac),
        "dilution_volumes": figures.rounded(recipe.water_parts),
        "matching_base_wt_pct": figures.rounded(100 * match[0]) if match else None,
        **figures.both("matching_base_onset", match[1] if match else None),
        "tank": {
            **figures.liquid(stored, stored_contraction, in_tank, asked.temp_c),
            **figures.both("warn_below", in_tank.warn_below_c),
        },
    }
    for name, volume_l in recipe.poured_l().items():
        sheet |= figures.volume(name, volume_l, speak)
    density_spread = float(spread_kg_m3(final.salts_frac, asked.temp_c))
    sheet["uncertainty"] = text.how_sure(in_the_end, density_spread, speaker)
    sheet["warnings"] = cautions
    return Answer(lines + text.warnings(cautions), sheet)


def _additive(
    additive: str | None, share: str, products: Mapping[str, Product]
) -> tuple[float, Liquid | None, Product | None]:
    """Read what is added and how much of it; without additive, nothing."""
    share_frac = arguments.percent(share, "--share")
    if additive is None:
        if share_frac > 0.0:
            raise InputError("--share says how much additive; say which, as --additive cacl2=32")
        return 0.0, None, None
    added, product = arguments.poured(additive, "--additive", products)
    blend.check_share(share_frac, product)
    return share_frac, added, product


def _blend_cautions(
    recipe: Recipe,
    stored: Liquid,
    in_tank: Cold,
    low_c: float,
    match: tuple[float, float] | None,
    speaker: Speaker,
) -> list[str]:
    """Collect what a tank of this blend must be warned about, worst first."""
    cautions = []
    if low_c <= in_tank.warn_below_c:
        cautions.append(text.cold_tank(in_tank, low_c, speaker))
    if match is not None and match[0] < recipe.base.share("nacl") - 0.001:
        cautions.append(text.weaker_base(match, speaker))
    product = recipe.product
    if product and product.freeze_point_c is not None and in_tank.source == "computed":
        cautions.append(text.neat_product(product, speaker))
    held = {key: stored.share(key) for key in brine.CHLORIDES if stored.share(key) > 0.0}
    if len(held) > 1:
        cautions.append(text.JAR_TEST)
    cautions += [words for key, words in HANDLING.items() if key in held]
    if cautions:
        cautions.append(text.LABELS)
    return cautions
