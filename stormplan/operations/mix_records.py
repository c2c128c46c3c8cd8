"""The records of a yard's mix: what is loaded, needed, held, made, corrected and bought."""

from __future__ import annotations

from typing import Literal

from pydantic import AwareDatetime

from stormplan.company.validators import Record
from stormplan.company.yards import USUAL_BAG_KG
from stormplan.operations import brine_guidance
from stormplan.operations.sprayer_schedule import SprayerSchedule
from stormplan.treatment.ensemble_demand import EnsembleVolume


class BlendVolume(Record):
    """One blend to load, before the reserve.

    Attributes
    ----------
    additive, additive_name : str or None
        Key and name of the additive; None for plain brine.
    additive_frac : float
        Additive in the blend by volume [-].
    volume_l, brine_l, additive_l : float
        Blend, and the brine and additive in it [L].
    surface_count : int
        Surfaces it is for [-].
    first_load_at : datetime
        When the first load of it leaves, UTC.
    on_board_l : float
        More of it that is sprayed and is in a sprayer's tank already [L].
    """

    additive: str | None
    additive_name: str | None
    additive_frac: float
    volume_l: float
    brine_l: float
    additive_l: float
    surface_count: int
    first_load_at: AwareDatetime
    on_board_l: float = 0.0


TankStatus = Literal["usable", "correct when time", "too weak", "too strong", "no reading"]


class TankState(Record):
    """Volume, strength and usability of a brine tank.

    Attributes
    ----------
    tank : str
        Key of the tank.
    on_hand_l : float
        What it holds [L].
    usable_l : float
        What can be drawn from it as it is [L].
    strength_frac : float or None
        NaCl by weight from its last reading [-]; None where nobody has read it.
    status : str
        Whether it can be used as it is, and why not.
    counted_at : datetime or None
        When it was measured last, or counted for the sites file; None where nobody said.
    """

    tank: str
    on_hand_l: float
    usable_l: float
    strength_frac: float | None
    status: TankStatus
    counted_at: AwareDatetime | None = None


class AdditiveNeed(Record):
    """One additive: need, stock and shortage.

    Attributes
    ----------
    product, name : str
        Key and name of the product.
    needed_l : float
        Volume needed with the reserve [L].
    on_hand_l : float
        Volume on hand [L].
    shortage_l : float
        Volume short [L].
    runs_out_at : datetime or None
        When it runs out in the order the surfaces are sprayed, UTC; None where it does not.
    """

    product: str
    name: str
    needed_l: float
    on_hand_l: float
    shortage_l: float
    runs_out_at: AwareDatetime | None


class ScheduledBatch(Record):
    """One scheduled batch of brine.

    Attributes
    ----------
    tank : str or None
        Key of the tank it goes into; None where none has room.
    volume_l : float
        Finished brine [L].
    salt_kg : float
        Salt as delivered [kg].
    water_l : float
        Water [L].
    start : datetime or None
        When to begin, UTC; None where there is no hurry.
    """

    tank: str | None
    volume_l: float
    salt_kg: float
    water_l: float
    start: AwareDatetime | None


class BrineDelivery(Record):
    """Bought brine for one tank.

    Attributes
    ----------
    tank : str or None
        Key of the tank it goes into; None for what no tank has room for.
    volume_l : float
        Brine [L].
    """

    tank: str | None
    volume_l: float


class BrinePurchase(Record):
    """The brine a yard buys for this plan.

    Attributes
    ----------
    volume_l : float
        Brine [L].
    deliveries : tuple of BrineDelivery
        Where it goes, the emptiest tank first.
    due_at : datetime or None
        When it must be in the tanks, UTC; None where nothing of it is loaded yet.
    order_by : datetime or None
        When to order it at the latest, UTC; None where the supplier's time is not known.
    is_late : bool
        Whether that has passed.
    """

    volume_l: float
    deliveries: tuple[BrineDelivery, ...]
    due_at: AwareDatetime | None
    order_by: AwareDatetime | None
    is_late: bool


class YardTankCorrection(Record):
    """The correction that brings one tank to target strength.

    Attributes
    ----------
    tank : str
        Key of the tank.
    draw_off_l : float
        To take out first, because the rest would not fit [L].
    add_water_l : float
        Water to put in then [L].
    add_salt_kg : float
        Salt as delivered to put in then [kg].
    final_l : float
        In the tank at the end [L].
    gained_l : float
        Usable brine it adds, where the tank is no use as it is [L].
    is_first : bool
        Whether to do it before any brine is made or bought: the storm needs what it adds.
    """

    tank: str
    draw_off_l: float
    add_water_l: float
    add_salt_kg: float
    final_l: float
    gained_l: float = 0.0
    is_first: bool = False


class BrineNeed(Record):
    """The plain brine that is needed, as a sum.

    Attributes
    ----------
    pretreat_l : float
        In the pre-treats [L].
    ensemble_extra_l : float
        More, for those members of the forecast that policy wants met [L].
    follow_up_l : float
        Sprayed at later visits [L].
    prewet_l : float
        To wet salt [L].
    reserve_l : float
        Reserve on top [L].
    """

    pretreat_l: float
    ensemble_extra_l: float
    follow_up_l: float
    prewet_l: float
    reserve_l: float

    @property
    def total_l(self) -> float:
        """The sum [L]."""
        sprayed_l = self.pretreat_l + self.ensemble_extra_l + self.follow_up_l
        return sprayed_l + self.prewet_l + self.reserve_l


class YardMix(Record):
    """The mix of one yard for this plan.

    Attributes
    ----------
    yard, name : str
        Key and name of the yard.
    blends : tuple of BlendVolume
        What is loaded, by blend.
    tanks : tuple of TankState
        What its brine tanks hold.
    pretreat_l : float
        Liquid of all pre-treats [L].
    follow_up_l : float
        Liquid sprayed at the visits after the pre-treats [L].
    prewet_l : float
        Brine that wets the salt [L].
    spread_salt_kg, spread_sand_kg : float
        Salt and sand that are spread dry, beside the salt that goes into brine [kg].
    ensemble_extra_l : float
        Mixed beyond the plan for those members of the forecast that policy wants met [L].
    reserve_l : float
        Reserve on top [L].
    brine_needed_l, brine_usable_l, brine_mended_l, brine_to_make_l : float
        Brine needed, in tanks at usable strength, in tanks to be corrected first, and to be made
        [L].
    brine_need : BrineNeed
        What it is needed for.
    makes_brine : bool
        Whether the yard has a brine maker.
    brine_purchase : BrinePurchase or None
        What is bought instead; None where the yard makes its brine, or needs none.
    target_strength_frac : float
        NaCl by weight to aim at [-].
    batches : tuple of ScheduledBatch
        Batches in the order they are made.
    tank_corrections : tuple of YardTankCorrection
        Tanks to bring to target first.
    production_h : float
        Hours the mixer runs [h].
    salt_kg, salt_on_hand_kg : float
        Salt as delivered: needed for brine, made or corrected, and on hand [kg].
    water_l : float
        Water needed for it [L].
    sludge_kg : float
        What settles of the salt, dry [kg].
    target_sg_60f : float
        Specific gravity of brine on target at 60 °F [-].
    settled_sg : float
        Hydrometer reading to look for once the batch is back at the water's temperature [-].
    settled_accept_sg : (float, float)
        Readings that are good enough then [-].
    settled_temp_c : float
        Temperature of the water [°C].
    additives : tuple of AdditiveNeed
        Every additive needed.
    load_out_only : tuple of str
        Additives whose blend would drop salt crystals if it stood in a tank: blend them at load-
        out.
    shortages : tuple of str
        What runs short and by when it bites, in words.
    first_load_at : datetime or None
        When the first load leaves, UTC; None where nothing is sprayed.
    cost : float or None
        Cost of salt and additive, in the company's currency; None where a price is missing.
    chloride_kg : float
        Chloride in all of it [kg].
    sprayer_schedule : SprayerSchedule
        Who sprays what, when.
    bucket_kg : float or None
        Salt that the loader lifts at once [kg]; None where the yard has not said.
    bag_kg : float
        Salt in a bag [kg].
    is_salt_bagged : bool
        Whether the yard makes its brine from bags, too.
    hydrometer_targets : tuple of HydrometerTarget
        Readings of a batch on target, at each stage.
    hydrometer_corrections : tuple of HydrometerCorrection
        What to do where the reading is off.
    blend_locations : tuple of BlendLocationAdvice
        Where each blend is best mixed.
    ensemble_volume : EnsembleVolume or None
        What the members of the forecast would spray; None without several.
    dissolving_time_ratio : float
        How much longer salt takes to dissolve in the yard's water than in water of 60 °F [-].
    stock_as_of : datetime or None
        Last entry of the record about what the yard holds; None where the sites file says it.
    """

    yard: str
    name: str
    blends: tuple[BlendVolume, ...]
    tanks: tuple[TankState, ...]
    pretreat_l: float
    follow_up_l: float
    prewet_l: float
    spread_salt_kg: float
    spread_sand_kg: float
    ensemble_extra_l: float
    reserve_l: float
    brine_needed_l: float
    brine_usable_l: float
    brine_mended_l: float
    brine_to_make_l: float
    brine_need: BrineNeed
    target_strength_frac: float
    batches: tuple[ScheduledBatch, ...]
    tank_corrections: tuple[YardTankCorrection, ...]
    production_h: float
    salt_kg: float
    salt_on_hand_kg: float
    water_l: float
    sludge_kg: float
    target_sg_60f: float
    settled_sg: float
    settled_accept_sg: tuple[float, float]
    settled_temp_c: float
    additives: tuple[AdditiveNeed, ...]
    load_out_only: tuple[str, ...]
    shortages: tuple[str, ...]
    first_load_at: AwareDatetime | None
    cost: float | None
    chloride_kg: float
    sprayer_schedule: SprayerSchedule
    bucket_kg: float | None = None
    bag_kg: float = USUAL_BAG_KG
    is_salt_bagged: bool = False
    hydrometer_targets: tuple[brine_guidance.HydrometerTarget, ...] = ()
    hydrometer_corrections: tuple[brine_guidance.HydrometerCorrection, ...] = ()
    blend_locations: tuple[brine_guidance.BlendLocationAdvice, ...] = ()
    ensemble_volume: EnsembleVolume | None = None
    makes_brine: bool = True
    brine_purchase: BrinePurchase | None = None
    dissolving_time_ratio: float = 1.0
    stock_as_of: AwareDatetime | None = None
