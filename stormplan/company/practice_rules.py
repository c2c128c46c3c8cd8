"""Published practice and our own thresholds, as data: each number with its limit and standing.

A rule is something that can be looked up. Its default is written the way a person would write
it in the sites file, where company, site or surface may override it within the stated limits.
``evidence`` tells how firm it is; ``source`` tells where it stands. Where handbooks disagree, the
source says so and policy picks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from stormplan import units


class Evidence(StrEnum):
    """Strength of evidence for a rule's default."""

    PUBLISHED = "published"
    FROM_MEMORY = "published, cited from memory"
    COMMON_PRACTICE = "common practice, no source"
    WEAK_SOURCE = "weak source"
    OWN_CHOICE = "our own choice"


Scope = Literal["company", "site", "surface"]
#: Levels of policy, the nearest one last.
SCOPES: tuple[Scope, ...] = ("company", "site", "surface")


@dataclass(frozen=True)
class Rule:
    """One number or choice of practice.

    Attributes
    ----------
    key : str
        Its name in the sites file's ``policy``.
    kind : str
        A key of ``units.QUANTITY_KINDS``, or ``"choice"``.
    default : str
        As a person would write it.
    limits : tuple of str
        Lowest and highest value policy may set; for a choice, the choices.
    meaning : str
        What it decides, in words.
    evidence : Evidence
        How firm it is.
    source : str
        Where it stands.
    scope : str
        Finest level at which it can be set: company, site or surface.
    """

    key: str
    kind: str
    default: str
    limits: tuple[str, ...]
    meaning: str
    evidence: Evidence
    source: str
    scope: Scope = "surface"

    @property
    def default_value(self) -> float | str:
        """The default in SI, or the default choice."""
        return self.default if self.kind == "choice" else units.parse(self.default, self.kind)


PUBLISHED, MEMORY, TRADE, WEAK, OURS = (
    Evidence.PUBLISHED,
    Evidence.FROM_MEMORY,
    Evidence.COMMON_PRACTICE,
    Evidence.WEAK_SOURCE,
    Evidence.OWN_CHOICE,
)
MPCA = "MPCA Winter Parking Lot and Sidewalk Maintenance Manual, 3rd ed. 2015"
NHDES = "NHDES/UNH Pass the Salt, anti-icing sheet, 2018"
FHWA = "FHWA-RD-95-202, Manual of Practice for an Effective Anti-icing Program, 1996"
NCHRP = "NCHRP Report 526, 2004"
MINN = "Minnesota Snow and Ice Control Field Handbook, 2nd rev. 2012"
TXDOT = "TxDOT Snow and Ice Control Operations Manual, 2017, section 5"

_RULES = (
    # brine -------------------------------------------------------------------------------------
    Rule("brine_target", "percentage", "23.3 %", ("18 %", "25 %"), "strength brine is made to",
         PUBLISHED, f"eutectic, {FHWA}, App. A",
         scope="company"),
    Rule("brine_accept_min", "percentage", "22.5 %", ("18 %", "23.3 %"),
         "weakest brine accepted", OURS, "about 3 °F per point below the eutectic",
         scope="company"),
    Rule("brine_accept_max", "percentage", "23.8 %", ("23 %", "26 %"),
         "strongest brine accepted", OURS,
         "about 13 °F per point above the eutectic, and salt settles out",
         scope="company"),
    Rule("brine_reject_below", "percentage", "22.0 %", ("15 %", "23.3 %"),
         "weaker is not sprayed", OURS, "freezes above -3 °F",
         scope="company"),
    Rule("brine_reject_above", "percentage", "24.0 %", ("23 %", "26.3 %"),
         "stronger is not sprayed", OURS, "drops salt near +3 °F and plugs nozzles",
         scope="company"),
    # deliveries --------------------------------------------------------------------------------
    Rule("delivery_strength_tolerance", "percentage", "1 %", ("0.1 %", "5 %"),
         "points that a bought product may be off the strength its papers state", PUBLISHED,
         "New Hampshire DOT, liquids: calcium chloride 31 +/- 1 %; others by analogy",
         scope="company"),
    Rule("delivery_pay_min", "percentage", "90 %", ("50 %", "100 %"),
         "part of the stated chloride per gallon below which a load is rejected, not deducted",
         OURS, "a tenth weaker is another product; state schedules of price reductions were not"
         " readable", scope="company"),
    Rule("delivery_weight_tolerance", "percentage", "1 %", ("0.2 %", "10 %"),
         "how far a weight ticket may be off gallons times density", WEAK,
         "8.34 lb times specific gravity times gallons, within what scale and meter make",
         scope="company"),
    Rule("delivery_sediment_max", "percentage", "1 %", ("0 %", "10 %"),
         "most that may settle from a liter of a delivered liquid, by volume", MEMORY,
         "settleable solids of qualified products", scope="company"),
    Rule("delivery_sieve_min", "percentage", "99 %", ("80 %", "100 %"),
         "least of a delivered liquid that passes a No. 10 sieve", MEMORY,
         "qualified products", scope="company"),
    Rule("salt_moisture_schedule", "choice", "minnesota",
         ("minnesota", "massachusetts", "missouri"), "whose schedule wet salt is paid by",
         PUBLISHED, "stormplan/company/material_specs.py has each with its source",
         scope="company"),
    Rule("salt_gradation", "choice", "d632", ("d632", "massachusetts", "missouri"),
         "whose gradation salt must have", PUBLISHED,
         "ASTM D632 as quoted by contracts; stormplan/company/material_specs.py has each",
         scope="company"),
    # ordering ----------------------------------------------------------------------------------
    Rule("order_review", "duration", "7 d", ("1 d", "30 d"),
         "time until the next order; what is ordered today must last that long once it is there",
         TRADE, "a shed that orders weekly; periodic review with lead time and review, (R, S), as"
         " in studies of road salt in Ohio and Flanders", scope="company"),
    Rule("order_carrying_share", "percentage", "10 %", ("0 %", "100 %"),
         "part of its price that what is left over costs to keep to the next use", OURS,
         "room, money and what settles or cakes; textbooks have 20 to 30 % a year, from memory",
         scope="company"),
    Rule("order_history_days", "duration", "45 d", ("7 d", "183 d"),
         "days of the record either side of today's date, in any year, that stand for what comes"
         " beyond the forecast", OURS, "half a winter", scope="company"),
    Rule("order_history_min", "duration", "28 d", ("7 d", "365 d"),
         "a record shorter than this says nothing of what comes beyond the forecast", OURS,
         "four weeks have a few storms, or none", scope="company"),
    # book against measured --------------------------------------------------------------------
    Rule("stock_difference_share", "percentage", "1 %", ("0 %", "20 %"),
         "part of what went through a tank since it was measured that may be missing or over",
         WEAK, "by analogy: WAC 173-360A-0620 and 40 CFR 280.43, for petroleum tanks; a Wisconsin"
         " sheet has 0.5 %",
         scope="company"),
    Rule("stock_difference_fixed", "volume", "130 gal", ("0 gal", "1000 gal"),
         "what may be missing or over on top of that", WEAK,
         "by analogy: WAC 173-360A-0620 and 40 CFR 280.43, for petroleum tanks",
         scope="company"),
    Rule("pile_difference_share", "percentage", "3 %", ("0 %", "50 %"),
         "part of the salt pile that may be missing or over when it is measured", PUBLISHED,
         "scanned piles are good to 1 to 3 %, Purdue JTRP 1832; a taped cone perhaps to 10 %",
         scope="company"),
    Rule("load_difference_share", "percentage", "5 %", ("0 %", "50 %"),
         "part of a load that its services may not account for", OURS,
         "meters and gauges of sprayers", scope="company"),
    Rule("load_difference_min", "volume", "10 gal", ("0 gal", "100 gal"),
         "what a load's services may not account for at least", OURS,
         "priming, and what stays in hoses", scope="company"),
    # offers ------------------------------------------------------------------------------------
    Rule("salt_nacl_min", "percentage", "95 %", ("70 %", "100 %"),
         "NaCl in dry salt below which an offer is called impure and a load is refused", PUBLISHED,
         "ASTM D632, as contracts of Missouri and Massachusetts quote it", scope="company"),
    Rule("salt_insolubles_max", "percentage", "1 %", ("0 %", "10 %"),
         "what does not dissolve in salt and is still called little", PUBLISHED,
         "a Missouri contract: at least 99.0 % soluble", scope="company"),
    Rule("inhibited_corrosion_max", "percentage", "30 %", ("0 %", "100 %"),
         "steel an inhibited product may take against plain salt", PUBLISHED,
         "City of Eugene minutes, after the Pacific Northwest states: at least 70 % less",
         scope="company"),
    # the record --------------------------------------------------------------------------------
    Rule("record_retention", "duration", "1096 d", ("731 d", "18263 d"),
         "younger entries of the record cannot be pruned", PUBLISHED,
         "New Hampshire RSA 508:22 (2017): 3 years; Utah R307-307-3: 2 years", scope="company"),
    Rule("calibration_lasts", "duration", "365 d", ("30 d", "1096 d"),
         "a sprayer calibrated longer ago counts as not calibrated", PUBLISHED,
         "Wisconsin Salt Wise, certification: calibrate yearly, and again after repair",
         scope="company"),
    # places ------------------------------------------------------------------------------------
    Rule("max_site_distance", "length", "100 mi", ("5 mi", "12500 mi"),
         "a site further from its yard than this is asked about", OURS,
         "two hours of a loaded truck; a slip in a coordinate is mostly thousands of miles off",
         scope="company"),
    # clients -----------------------------------------------------------------------------------
    Rule("notice_probability", "percentage", "30 %", ("5 %", "95 %"),
         "lowest chance of ice or snow that clients are told of", MEMORY,
         "NWS Directive 10-503: a chance is 30 % and more", scope="company"),
    Rule("notice_likely_from", "percentage", "60 %", ("30 %", "90 %"),
         "chance, in tens, from which a notice says likely, and possible below it", MEMORY,
         "NWS Directive 10-503: likely is 60 and 70 %", scope="company"),
    # rates -------------------------------------------------------------------------------------
    Rule("pretreat_rate_min", "liquid rate", "0.3 gal/1000 ft2",
         ("0.1 gal/1000 ft2", "0.8 gal/1000 ft2"), "lowest pre-treat rate of brine",
         PUBLISHED, MPCA),
    Rule("pretreat_rate_usual", "liquid rate", "0.5 gal/1000 ft2",
         ("0.3 gal/1000 ft2", "0.8 gal/1000 ft2"),
         "usual pre-treat rate before snow, told beside the plan's own and priced where it waits",
         PUBLISHED,
         f"{NHDES}: 0.5-0.75; {MPCA}: 0.3-0.8, worked example 0.5"),
    Rule("pretreat_rate_light_snow_max", "liquid rate", "0.75 gal/1000 ft2",
         ("0.3 gal/1000 ft2", "0.8 gal/1000 ft2"), "highest pre-treat rate before light snow",
         PUBLISHED,
         f"{NHDES}: upper end of 0.5-0.75"),
    Rule("pretreat_rate_max", "liquid rate", "0.8 gal/1000 ft2",
         ("0.3 gal/1000 ft2", "1.0 gal/1000 ft2"), "highest pre-treat rate of brine", PUBLISHED,
         f"{MPCA}; Lake Champlain Committee prints up to 1.0 for householders"),
    Rule("frost_rate_min", "liquid rate", "0.3 gal/1000 ft2",
         ("0.1 gal/1000 ft2", "0.6 gal/1000 ft2"), "lowest pre-treat rate before frost", MEMORY,
         f"{MPCA}: 0.3-0.6 before frost or black ice"),
    Rule("frost_rate_max", "liquid rate", "0.6 gal/1000 ft2",
         ("0.2 gal/1000 ft2", "0.8 gal/1000 ft2"), "highest pre-treat rate before frost", MEMORY,
         f"{MPCA}: 0.3-0.6 before frost or black ice"),
    Rule("post_treat_rate_max", "liquid rate", "1.0 gal/1000 ft2",
         ("0.3 gal/1000 ft2", "1.5 gal/1000 ft2"), "highest post-treat rate", OURS,
         "no lot handbook prints one; the salt of MPCA's prewetted 2.25 lb/1000 ft2"),
    Rule("first_use_rate_factor", "percentage", "50 %", ("0 %", "100 %"),
         "part of the rate on the first treatment after a long dry spell", MEMORY,
         f"{MINN}: half rate; an older state guideline waits for one snow instead"),
    Rule("dry_spell", "duration", "30 d", ("7 d", "365 d"),
         "days without treatment or rain that make a dry spell", OURS, "no number published"),
    # timing ------------------------------------------------------------------------------------
    Rule("lead_min", "duration", "1 h", ("0 h", "6 h"), "latest start before onset", PUBLISHED,
         f"{NHDES}: best 1-2 h before precipitation"),
    Rule("lead_best", "duration", "2 h", ("1 h", "24 h"), "best start before onset", PUBLISHED,
         f"{NHDES}: best 1-2 h before precipitation"),
    Rule("lead_max", "duration", "24 h", ("2 h", "72 h"),
         "earliest start before onset, dry surface", PUBLISHED,
         f"{NHDES}: up to 24 h; {MINN} and press say 2-3 days"),
    Rule("lead_max_frost", "duration", "48 h", ("2 h", "120 h"),
         "earliest start before frost, no rain between", PUBLISHED,
         "TxDOT districts: 24-48 h; county practice 3-5 days"),
    Rule("best_start_tolerance", "duration", "6 h", ("0 h", "12 h"),
         "starts within this of the best lead are as good as it", OURS, "a crew's evening"),
    Rule("max_damp", "length", "0.1 mm", ("0 mm", "1 mm"),
         "water that a surface may carry and still take a pre-treat", OURS,
         f"{NHDES}: on a dry surface; how damp is dry is our own choice"),
    Rule("max_rain_probability", "percentage", "50 %", ("10 %", "100 %"),
         "chance of rain before a liquid can work from which on none goes down", OURS,
         f"{TXDOT}: none when the storm starts as rain; likelier than not is our own choice"),
    Rule("max_rain_before_onset", "length", "0.25 mm", ("0.05 mm", "5 mm"),
         "rain between treatment and onset that rules liquid out", OURS,
         f"{TXDOT}: none when the storm starts as rain; no amount published"),
    # film --------------------------------------------------------------------------------------
    Rule("hold_target", "choice", "auto", ("auto", "first plow", "end", "opening"),
         "how long a pre-treat should hold: auto is the first plow before snow, else the end", OURS,
         "level of service, set by the owner"),
    Rule("hold_confidence", "percentage", "75 %", ("50 %", "99 %"),
         "share of the forecasts that bring the event in which the film must hold", OURS,
         "level of service, set by the owner: more holds surer and puts down more salt"),
    Rule("hold_confidence_treated", "percentage", "60 %", ("30 %", "99 %"),
         "share of those forecasts in which a pre-treat that is down must hold to be left alone",
         OURS, "a pre-treat is the least that holds: put down an hour early, or under the next"
         " forecast, it holds in a few less"),
    Rule("max_ice_fraction", "percentage", "50 %", ("0 %", "90 %"),
         "frozen part of what lies on a vehicle surface that still counts as held", OURS,
         "no published constant is defensible; pedestrian surfaces tolerate none"),
    Rule("bond_liquid_fraction", "percentage", "15 %", ("5 %", "30 %"),
         "liquid part of the layer at the pavement that keeps snow from bonding, near freezing",
         PUBLISHED, "NRC Canada paper 11796: snow with 15 % free water or more does not pack;"
         " how it rises with cold: docs/model/bond.md"),
    Rule("bond_texture", "length", "0.5 mm", ("0.3 mm", "1 mm"),
         "slush that fills the texture and shares the brine, as water", OURS,
         "assumed; pavement texture 0.4-0.8 mm, from memory"),
    Rule("vehicles_while_open", "traffic", "5 /h", ("0 /h", "500 /h"),
         "vehicles an hour over a treated surface while the site is open", OURS,
         "assumed for a lot; traffic works snow into the brine"),
    Rule("plow_residual_vehicle", "length", "2 mm", ("0 mm", "5 mm"),
         "snow that a blade leaves, as water", OURS, "1-3 mm, class assumption"),
    Rule("plow_residual_pedestrian", "length", "0.5 mm", ("0 mm", "3 mm"),
         "snow that a shovel or broom leaves, as water", OURS, "class assumption"),
    Rule("final_pass_snow", "length", "0.5 in", ("0 in", "1 in"),
         "snow that is still worth a last pass when it has stopped", OURS, "a crew's turn-round"),
    Rule("post_storm_interval", "duration", "12 h", ("2 h", "24 h"),
         "from a storm's end to the next look, up to which its last treatment must do", TRADE,
         "the next dusk or dawn"),
    Rule("plow_trigger_vehicle", "length", "2 in", ("0.5 in", "6 in"),
         "new snow that brings the plow to lots, lanes, ramps and decks", OURS, "contract term"),
    Rule("plow_trigger_pedestrian", "length", "1 in", ("0.2 in", "4 in"),
         "new snow that brings the shovel to walks and entries", OURS, "contract term"),
    Rule("plow_probability", "percentage", "25 %", ("5 %", "75 %"),
         "share of the forecasts that must bring snow before plow passes are planned", OURS,
         "a plow that was not ordered comes too late; one too many is called off",
         scope="company"),
    Rule("post_treat", "choice", "liquid", ("liquid", "solid", "none"),
         "what follows the last plow", OURS, "a liquids program sprays after storms too"),
    Rule("snow_salt_max", "choice", "second lot chart", ("first lot chart", "second lot chart"),
         "chart of the most prewetted salt on snow, where the first chart's does not last", OURS,
         f"{MPCA} prints the first, DuPage River Salt Creek Workgroup the second"),
    Rule("more_chloride_worth", "duration", "1 h", ("0 h", "12 h"),
         "longer service that more salt or liquid has to keep on average, where no allowed rate"
         " keeps it to the next visit", OURS, "a visit sooner costs less than salt that fails"),
    # temperature -------------------------------------------------------------------------------
    Rule("liquid_warn_below", "temperature", "23 F", ("10 F", "32 F"),
         "pavement below which liquid salt is doubtful", MEMORY, f"{FHWA}, Table 8 comment"),
    Rule("liquid_stop_below", "temperature", "20 F", ("5 F", "30 F"),
         "pavement below which no liquid salt is sprayed", MEMORY,
         f"{NCHRP}, Table A-5; MPCA and MnDOT print 15 °F, WisDOT 15-20 °F, CRREL 22 °F"),
    Rule("sand_rate", "solid rate", "4.5 lb/1000 ft2", ("1 lb/1000 ft2", "20 lb/1000 ft2"),
         "sand on slick spots where salt does not go down", PUBLISHED,
         f"{MINN}, lot table: 4-5 lb/1000 ft2 in spots"),
    Rule("prewet_rate", "prewet rate", "10 gal/ton", ("0 gal/ton", "50 gal/ton"),
         "brine that wets the salt", PUBLISHED,
         "Clear Roads CR18-04, 2021: 8-12 gal/ton effective, slurry 30-50"),
    Rule("solid_stop_below", "temperature", "15 F", ("0 F", "25 F"),
         "pavement below which salt is not worth spreading", PUBLISHED, f"{MPCA}; {MINN}"),
    Rule("warm_pavement_above", "temperature", "32.9 F", ("32 F", "38 F"),
         "pavement above this lets no snow or ice lie and needs nothing", PUBLISHED,
         "City of Eugene policy 2005: none when above 32 °F and steady; margin our own: gridded"
         " temperatures are whole °F, give or take half a degree"),
    Rule("residue_slippery_above", "temperature", "28 F", ("25 F", "45 F"),
         "pavement above which calcium or magnesium blends may turn slippery", MEMORY,
         f"{MINN}; cause in {NCHRP}, p. 25"),
    Rule("frost_possible_below", "temperature", "40 F", ("32 F", "50 F"),
         "air below which pavement that is not known counts as likely cold", OURS,
         "a clear night takes pavement some 8 °F below the air: common practice, no source"),
    # blend -------------------------------------------------------------------------------------
    Rule("additive_default", "percentage", "5 %", ("0 %", "20 %"),
         "additive in every blend (95/5)", TRADE, "contractors' ladder"),
    Rule("additive_cold", "percentage", "10 %", ("0 %", "20 %"),
         "additive when cold (90/10)", TRADE,
         "contractors' ladder; Kansas DOT NW district 2019 adds 10 % only below 15 °F"),
    Rule("additive_cold_below", "temperature", "15 F", ("-10 F", "32 F"),
         "pavement in the window that calls for the cold blend", TRADE, "contractors' ladder"),
    Rule("additive_sensitive", "percentage", "20 %", ("0 %", "20 %"),
         "additive on walks, entries, beside buildings and on structures (80/20)", TRADE,
         "contractors' ladder"),
    Rule("additive_max", "percentage", "20 %", ("0 %", "30 %"), "most additive in any blend", TRADE,
         "contractors' ladder"),
    Rule("poor_concrete_magnesium", "choice", "refuse", ("refuse", "allow"),
         "whether magnesium goes on young or poor concrete", PUBLISHED,
         "ACI 201.2R Table 2.1 as quoted: magnesium chloride attacks slowly; Cement and Concrete"
         " Research: strength lost with no visible damage"),
    # weather -----------------------------------------------------------------------------------
    Rule("max_wind", "speed", "15 mph", ("5 mph", "40 mph"), "sustained wind that stops spraying",
         WEAK, "no numeric limit in any manual read; City of Eugene 2005: none in strong winds"),
    Rule("go_probability", "percentage", "30 %", ("5 %", "90 %"),
         "chance of the event that means go", OURS,
         "a miss costs more than a wasted pass; set by the owner"),
    Rule("go_probability_beyond_day", "percentage", "50 %", ("5 %", "90 %"),
         "chance that means go for an event further off than `day_ahead_lead`; less waits",
         OURS, "tomorrow's forecast comes before a crew must leave"),
    Rule("probability_hysteresis", "percentage", "5 %", ("0 %", "20 %"),
         "what the plan announced before goes for is kept until its chance is this far below the"
         " limit", OURS, "services give chances in steps of 1 to 10 %; a crew turned back is lost"),
    Rule("temperature_hysteresis", "temperature difference", "1 F", ("0 F", "5 F"),
         "what the plan announced before sprays is kept until the pavement is this far below the"
         " limit", OURS, "gridded temperatures are whole °F"),
    Rule("monitor_probability", "percentage", "15 %", ("1 %", "90 %"),
         "chance of the event that means wait and look again", OURS, "set by the owner"),
    Rule("day_ahead_lead", "duration", "24 h", ("6 h", "48 h"),
         "an event further off than this is planned for only from the day-ahead chance on", OURS,
         "the next forecasts come before a crew must leave"),
    Rule("frost_close_call_below", "percentage", "70 %", ("0 %", "100 %"),
         "chance of frost below which the crew is told to read the pavement at dusk", OURS,
         "no number published"),
    Rule("light_snow_below", "snowfall rate", "0.5 in/h", ("0.1 in/h", "1 in/h"),
         "snow lighter than this is light", PUBLISHED, f"{FHWA}, App. C definitions"),
    Rule("heavy_snow_above", "snowfall rate", "1 in/h", ("0.5 in/h", "3 in/h"),
         "snow heavier than this is heavy", OURS,
         f"{FHWA} joins moderate and heavy; 1 in/h is a common split"),
    Rule("heavy_snow_pretreat", "choice", "allow", ("refuse", "allow"),
         "whether liquid goes down before heavy snow", PUBLISHED,
         f"{FHWA}, Table 10 allows liquid on roads and plows soon; lot handbooks print no rate"),
    Rule("new_concrete", "choice", "refuse", ("refuse", "allow"),
         "whether concrete inside its first year is treated", PUBLISHED,
         "ACI 302 and 201 as quoted in the trade: none before one winter; others say 1-2 years"),
    Rule("hazardous_frost", "length", "0.01 mm", ("0.001 mm", "0.1 mm"),
         "frost, as water, from which on it can be slippery", MEMORY,
         "10-20 g/m² is slippery in studies of frost on roads"),
    Rule("hazardous_ice", "length", "0.05 mm", ("0.01 mm", "1 mm"),
         "ice of frozen water, as water, from which on it is a hazard", MEMORY,
         "practice of road weather models"),
    Rule("pile_thaw_above", "temperature", "33.8 F", ("32 F", "45 F"),
         "air in which a snow pile drips", TRADE, "piles drip in air above freezing"),
    Rule("pile_thaw_hours", "duration", "2 h", ("1 h", "12 h"),
         "dripping hours of the last twelve after which a pile's water can freeze back", TRADE,
         "an afternoon of thaw"),
    Rule("event_gap", "duration", "4 h", ("1 h", "24 h"),
         "quiet hours that end one event and start another", OURS, "a crew's turn-round"),
    Rule("wind_chill_below", "temperature", "-18 F", ("-50 F", "32 F"),
         "wind chill at which crews work in short turns", PUBLISHED,
         "NWS wind chill chart, 2001: frostbite in 30 minutes at -18 to -19 °F",
         scope="site"),
    Rule("hose_freeze_below", "temperature", "20 F", ("-10 F", "32 F"),
         "air in which wet pumps and hoses must be drained or heated", TRADE, "yard practice",
         scope="site"),
    Rule("cycle_time", "duration", "4 h", ("0.5 h", "12 h"),
         "time between two passes over a site", OURS,
         f"a private route; {NCHRP}, p. 15 asks for less than 1.5 h where service must be high"),
    # planning ----------------------------------------------------------------------------------
    Rule("horizon", "duration", "72 h", ("12 h", "168 h"), "how far ahead the plan looks", OURS,
         "weather error dominates beyond three days",
         scope="company"),
    Rule("pavement_horizon", "duration", "36 h", ("12 h", "72 h"),
         "pavement known for less than this makes the plan degraded", OURS,
         "less leaves tonight or the morning after in the dark",
         scope="company"),
    Rule("demand_percentile", "percentage", "80 %", ("50 %", "99 %"),
         "share of the forecast's members whose spraying the yard is to meet", OURS,
          "running out costs more than brine left over, which keeps",
         scope="company"),
    Rule("reserve", "percentage", "10 %", ("0 %", "100 %"),
         "made on top of what the plan sprays", OURS, "overlap, priming and a second look",
         scope="company"),
    Rule("miss_cost", "cost of a miss", "0 /miss", ("0 /miss", "10000000 /miss"),
         "what a slippery surface that was not treated costs, on average; 0 where nobody has said",
         OURS, "the owner's: claims, call-backs, a client lost; in the company's currency"),
    Rule("pass_cost", "cost of a pass", "0 /pass", ("0 /pass", "100000 /pass"),
         "what one pass over a surface costs besides the liquid", OURS,
         "the owner's: crew, machine, fuel; in the company's currency"),
    Rule("containment_ratio", "percentage", "110 %", ("100 %", "200 %"),
         "containment over the largest tank", WEAK,
         "widely quoted; Michigan R 324.2005: larger of 100 % of one, 10 % of all",
         scope="company"),
    Rule("when_sources_differ", "choice", "preferred", ("preferred", "cautious"),
         "whose forecast a site is planned from when its sources differ", OURS,
         "preferred: the first of weather.sources; cautious: strongest action, earliest onset",
         scope="site"),
    Rule("stale_warn_after", "duration", "8 h", ("2 h", "24 h"), "forecast age that is mentioned",
         OURS, "grids are issued two or more times a day",
         scope="company"),
    Rule("stale_after", "duration", "12 h", ("4 h", "48 h"),
         "forecast age that makes the plan degraded", OURS, "grids are issued twice a day or more",
         scope="company"),
    Rule("route_onset_spread", "duration", "6 h", ("1 h", "24 h"),
         "surfaces whose events begin within this are sprayed in one route", OURS,
         "a route of a shift; what begins later waits for its own hours", scope="company"),
    Rule("finish_before_onset", "duration", "15 min", ("0 min", "6 h"),
         "spraying is done at least this long before it starts", OURS,
         "a first flake is early as often as late", scope="company"),
    Rule("slack_short_below", "duration", "1 h", ("0 h", "6 h"),
         "time left between the last stop and the storm that a round is set out for, and below"
         " which it is said", OURS, "a flat tire, a locked gate, an early storm", scope="company"),
    Rule("next_priority_value", "percentage", "30 %", ("1 %", "100 %"),
         "worth of a visit against one of the next higher priority", OURS,
         "three visits of priority 2 stand in for one of priority 1; 1 % lets none do so",
         scope="company"),
    Rule("next_hazard_value", "percentage", "90 %", ("10 %", "100 %"),
         "worth of a visit against one before the next worse hazard", OURS,
         "hazards decide between sites of one priority", scope="company"),
    Rule("rounds_wait", "duration", "1 min", ("0 min", "30 min"),
         "longest that a plan waits for better rounds than the greedy order; 0 keeps that", OURS,
         "60 surfaces take some 5 s, 300 some 25 s", scope="company"),
    Rule("nozzle_deviation_max", "percentage", "10 %", ("2 %", "50 %"),
         "a nozzle further from the middle one than this is worn or plugged", PUBLISHED,
         "Florida pest control examinations manual, p. 213: 10 % off the mean", scope="company"),
    Rule("field_efficiency", "percentage", "70 %", ("30 %", "100 %"),
         "part of the hour in which a calibrated sprayer sprays; turns and overlaps take the rest",
         OURS, "0.65 to 0.8", scope="company"),
    Rule("drive_circuity", "percentage", "135 %", ("100 %", "300 %"),
         "length of a drive over the straight line, where no table has its minutes", WEAK,
         "a software vendor's study of quickest routes in US counties, 1.35 to 1.43; random urban"
         " pairs about 1.2, Newell 1980", scope="company"),
    Rule("drive_speed", "speed", "25 mph", ("5 mph", "70 mph"),
         "speed of a drive where no table has its minutes", OURS, "town streets, dry",
         scope="company"),
    Rule("drive_fixed_time", "duration", "1 min", ("0 min", "30 min"),
         "time to get onto the road and off it, at every drive that no table has", OURS,
         "gates, turns, parking", scope="company"),
    Rule("sprayer_position_age", "duration", "4 h", ("0 h", "24 h"),
         "a sprayer stands where it was last logged for so long, unless it came back since; then at"
         " the yard", OURS, "a load is down sooner", scope="company"),
    Rule("drives_learned_from", "count", "3 times", ("1 times", "100 times"),
         "a drive that the record has so often counts by the median of its times", OURS,
         "of three, one may be an odd one", scope="company"),
    Rule("drive_pause_above", "duration", "1 h", ("10 min", "6 h"),
         "a longer time between two logged services holds a pause, and teaches no drive", OURS,
         "sites of one yard lie within an hour", scope="company"),
    Rule("router_wait", "duration", "0.5 min", ("0.01 min", "10 min"),
         "longest that a plan waits for driving times of the company's router", OURS,
         "a router of one's own answers 300 sites in a second or two", scope="company"),
    Rule("drive_speed_on_snow", "percentage", "65 %", ("20 %", "100 %"),
         "speed of a drive to plow, spread or post-treat, against a dry one", PUBLISHED,
         "FHWA, How Do Weather Events Impact Roads?: arterials 30 to 40 % slower on snowy or slushy"
         " pavement", scope="company"),
    Rule("brine_ready_before", "duration", "1 h", ("0 h", "12 h"),
         "last batch of brine is done this long before the first load", OURS,
         "settling, a hydrometer reading and the pump", scope="company"),
    # comparing sources -------------------------------------------------------------------------
    Rule("source_onset_difference", "duration", "3 h", ("1 h", "24 h"),
         "sources whose onsets differ by more are told apart", OURS, "a crew's lead", scope="site"),
    Rule("source_temperature_difference", "temperature difference", "3.6 F", ("1 F", "20 F"),
         "sources whose coldest pavements differ by more are told apart", OURS,
         "error of pavement models by night, Crevier & Delage 2001, J. Appl. Meteorol.: rms 2 K",
         scope="site"),
    Rule("source_temperature_below", "temperature", "35.6 F", ("32 F", "60 F"),
         "pavement above which sources are not compared in temperature", OURS,
         "how warm a warm pavement is decides nothing", scope="site"),
    Rule("source_snow_difference", "length", "1 in", ("0.1 in", "12 in"),
         "sources whose snowfalls differ by more are told apart", OURS, "an inch: a plow trigger",
         scope="site"),
    Rule("source_ice_probability_difference", "percentage", "20 %", ("1 %", "100 %"),
         "sources whose chances of refreeze differ by more are told apart", OURS,
         "as announce_ice_probability_change", scope="site"),
    Rule("record_max_age", "duration", "6 h", ("0 h", "24 h"),
         "age up to which an entry of the record counts where the weather since is not known", OURS,
         "half a night; with the weather known an entry counts as long as the weather leaves it"),
    # what stands in for a forecast that is missing ---------------------------------------------
    Rule("older_copy_max_age", "duration", "24 h", ("6 h", "72 h"),
         "age up to which an older copy of a forecast stands in for a layer the newest lacks", OURS,
         "two to four issues of the same office; errors grow by about 1 K a day",
         scope="company"),
    Rule("gap_straight_line", "duration", "3 h", ("0 h", "6 h"),
         "longest gap in temperature, wind or cloud bridged by a straight line", OURS,
         "station practice bridges 1-3 h, from memory",
         scope="company"),
    Rule("gap_daily_cycle", "duration", "12 h", ("0 h", "24 h"),
         "longest gap filled with the same hour of the days before and after", OURS,
         "persistence of the daily cycle",
         scope="company"),
    Rule("unknown_dry_below", "percentage", "15 %", ("0 %", "50 %"),
         "chance below which a missing amount counts as none, where the words name nothing", MEMORY,
         "NWS Directive 10-503: no mention of precipitation below 15-20 %",
         scope="company"),
    Rule("unknown_snowfall_water", "length", "0.5 mm", ("0.1 mm", "3 mm"),
         "water an hour of light precipitation has where its amount is missing", OURS,
         "light snow of about 1/4 in/h; moderate counts three times, heavy six times as much",
         scope="company"),
    Rule("issue_time_tolerance", "duration", "1 h", ("5 min", "6 h"),
         "a time of issue further ahead of our clock than this is not believed", OURS,
         "clocks of services and computers are minutes apart, not hours",
         scope="company"),
    Rule("max_cell_distance", "length", "30 mi", ("2 mi", "100 mi"),
         "a forecast cell further from the site than this is refused", OURS,
         "grids are 1.5 to 17 mi wide; further away is another place",
         scope="company"),
    Rule("reading_max_error", "temperature difference", "14 F", ("4 F", "40 F"),
         "a night reading of a pavement further from the model than this is not learned from", OURS,
         "four times the 1.9 K that the model is off by night: another spot, hour or unit",
         scope="company"),
    Rule("reading_neighbor_max", "temperature difference", "6.5 F", ("2 F", "40 F"),
         "a surface read further from all others in the same nights than this is named", OURS,
         "three times the 1.2 K that eight roads and bridges of Seattle differ by in one night,"
         " February 2020, City of Seattle open data: another instrument or unit", scope="company"),
    Rule("sun_envelope_min", "percentage", "80 %", ("10 %", "95 %"),
         "a table whose sunniest hours have less of a clear sky's sun than this is doubted", OURS,
         "clear-sky models are off by up to a tenth, Reno, Hansen & Stein 2012, SAND2012-2389",
         scope="company"),
    Rule("sun_envelope_max", "percentage", "125 %", ("105 %", "300 %"),
         "a table whose sunniest hours have more of a clear sky's sun than this is doubted", OURS,
         "1.05 to 1.1 at two stations; clear-sky models are off by up to a tenth, SAND2012-2389",
         scope="company"),
    Rule("gather_budget", "duration", "5 min", ("0.5 min", "60 min"),
         "time in which all forecasts are gathered; what has not come then is left out", OURS,
         "300 cells at three requests a second take under two minutes",
         scope="company"),
    # announcing --------------------------------------------------------------------------------
    Rule("announce_start_change", "duration", "2 h", ("30 min", "12 h"),
         "start moved by this much is announced", OURS, "a crew can be called that much later"),
    Rule("announce_temperature_change", "temperature difference", "4 F", ("1 F", "20 F"),
         "coldest pavement changed by this much is announced", OURS,
         "about the error of a night pavement temperature"),
    Rule("announce_volume_change", "percentage", "15 %", ("1 %", "100 %"),
         "volume changed by this much on a surface is announced", OURS, "more than the reserve"),
    Rule("announce_ice_probability_change", "percentage", "20 %", ("1 %", "100 %"),
         "chance of ice on a surface changed by this much is announced", OURS,
         "two steps of the tenths that notices say; no number published"),
)  # fmt: skip

RULES: Mapping[str, Rule] = {rule.key: rule for rule in _RULES}


@dataclass(frozen=True)
class RuleValue:
    """A rule as it stands for one surface: its value in SI and who set it."""

    rule: Rule
    value: float | str
    set_by: str

    def format(self, fmt: units.UnitFormatter) -> str:
        """Return the value in the reader's units."""
        return format_rule_value(self.rule.kind, self.value, fmt)


def format_rule_value(kind: str, value: float | str, fmt: units.UnitFormatter) -> str:
    """Return a value of a rule's kind in the reader's units.

    Parameters
    ----------
    kind : str
        A key of ``units.QUANTITY_KINDS``, or ``"choice"``.
    value : float or str
        In the kind's inside unit [-].
    fmt : units.UnitFormatter
        The reader's units.

    Returns
    -------
    str
        With its unit.
    """
    if isinstance(value, str):
        return value
    match kind:
        case "percentage":
            return f"{100 * value:.3g} %"
        case "liquid rate":
            return fmt.liquid_rate(value)
        case "temperature":
            return fmt.temperature(value)
        case "temperature difference":
            return fmt.temperature_difference(value)
        case "duration":
            return f"{60.0 * value:.3g} min" if 0.0 < value < 1.0 else f"{value:.3g} h"
        case "speed":
            return fmt.speed(value)
        case "solid rate":
            return fmt.solid_rate(value)
        case "count":
            return f"{value:.0f} times"
        case "traffic":
            return f"{value:.3g} vehicles/h"
        case "prewet rate":
            return fmt.prewet_rate(value)
        case "volume":
            return fmt.volume(value)
        case "length":
            if value >= 1000.0:
                return fmt.distance(value / 1000.0)
            return fmt.water_depth(1000 * value)
        case "cost of a miss" | "cost of a pass":
            return f"{value:,.0f}"
        case "snowfall rate":
            return f"{fmt.snowfall(value)}/h"
        case _:
            raise ValueError(f"no words for a {kind}")


_DEFAULTS = {key: RuleValue(rule, rule.default_value, "default") for key, rule in RULES.items()}


class Practice:
    """The rules as they stand for one surface: defaults under company, site and surface.

    Parameters
    ----------
    *overrides : tuple of (str, mapping)
        Who set it, and values in SI by rule key; later ones win.
    """

    def __init__(self, *overrides: tuple[str, Mapping[str, float | str]]) -> None:
        self._overrides = overrides
        self._rule_values = dict(_DEFAULTS)
        for who, values in overrides:
            for key, value in values.items():
                self._rule_values[key] = RuleValue(RULES[key], value, who)

    def __reduce__(
        self,
    ) -> tuple[type[Practice], tuple[tuple[str, Mapping[str, float | str]], ...]]:
        return Practice, self._overrides  # a process has the defaults itself

    def rule_value(self, key: str) -> RuleValue:
        """Return a rule with its value and who set it."""
        return self._rule_values[key]

    def number(self, key: str) -> float:
        """Return a rule's value in SI; the rule must not be a choice."""
        value = self._rule_values[key].value
        if isinstance(value, str):
            raise TypeError(f"{key} is a choice, not a number")
        return value

    def choice(self, key: str) -> str:
        """Return a rule's chosen word."""
        return str(self._rule_values[key].value)
