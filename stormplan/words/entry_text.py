"""An entry of the record as one line for a reader."""

from __future__ import annotations

from stormplan.record.entries import (
    SALT_PILE,
    Application,
    BatchMade,
    Calibration,
    Complaint,
    Delivery,
    Direction,
    Entry,
    Inspection,
    LoadDrawn,
    LoadReturned,
    Loss,
    Measurement,
    NoticeSent,
    PlowPass,
    Reading,
    Skipped,
    Transfer,
    Void,
)
from stormplan.units import UnitFormatter
from stormplan.words.formatting import join_names, pluralize


def entry_text(entry: Entry, fmt: UnitFormatter) -> str:
    """Return what an entry says, in the reader's units.

    Parameters
    ----------
    entry : Entry
        The entry.
    fmt : UnitFormatter
        The reader's units.

    Returns
    -------
    str
        Without its id, its time and who made it.
    """
    match entry:
        case Void():
            return f"void {entry.voids}"
        case Inspection():
            depth = "" if entry.depth_cm is None else f", {fmt.snowfall(entry.depth_cm)}"
            return f"{entry.site} {entry.surface}: {entry.condition}{depth}"
        case Application():
            return f"{entry.site} {entry.surface}: {_put_down(entry, fmt)}"
        case PlowPass():
            return f"{entry.site} {entry.surface}: plowed or shoveled"
        case Skipped():
            return f"{entry.site} {entry.surface}: not done, {entry.reason}"
        case Direction():
            return f"{entry.site}: {entry.said_by} asked for: {entry.said}"
        case Complaint():
            return f"{entry.site}: {entry.said_by} complained: {entry.said}"
        case Reading():
            assert entry.pavement_temp_c is not None  # a reading has one
            read = fmt.temperature(entry.pavement_temp_c)
            return f"{entry.site} {entry.surface}: pavement {read}"
        case NoticeSent():
            first = entry.said.partition("\n")[0]
            return f"{entry.client}: {entry.channel} to {entry.recipient}: {first}"
        case Calibration():
            return f"{entry.yard} {entry.sprayer}: calibrated{_calibration_text(entry, fmt)}"
        case BatchMade():
            salt = "" if entry.salt_kg is None else f" from {fmt.mass(entry.salt_kg)} of salt"
            made = f"{fmt.volume(entry.volume_l)} made into {entry.tank}"
            return f"{entry.yard}: {made}{salt}{_liquid_read(entry, fmt)}"
        case Delivery():
            came = f"{_amount(entry, fmt)} of {entry.product} delivered"
            where = "" if entry.store == entry.product else f" into {entry.store}"
            return f"{entry.yard}: {came}{where}{_liquid_read(entry, fmt)}"
        case LoadDrawn():
            parts = [f"{fmt.volume(part.volume_l)} from {part.store}" for part in entry.parts]
            return f"{entry.yard} {entry.sprayer}: loaded {join_names(parts)}"
        case LoadReturned():
            back = f"back with {fmt.volume(entry.volume_l)}, into {entry.store}"
            return f"{entry.yard} {entry.sprayer}: {back if entry.store else 'back empty'}"
        case Transfer():
            pumped = f"{fmt.volume(entry.volume_l)} from {entry.from_store} into {entry.to_store}"
            return f"{entry.yard}: {pumped}"
        case Measurement():
            held = _amount(entry, fmt) or "read"
            return f"{entry.yard} {_store(entry.store)}: {held}{_liquid_read(entry, fmt)}"
        case Loss():
            gone = f"{_amount(entry, fmt)} lost, {entry.cause}"
            return f"{entry.yard} {_store(entry.store)}: {gone}"


def _calibration_text(entry: Calibration, fmt: UnitFormatter) -> str:
    parts = []
    if entry.rate_l_m2 is not None:
        parts.append(fmt.liquid_rate(entry.rate_l_m2))
    if entry.speed_ms is not None:
        parts.append(f"at {fmt.driving_speed(entry.speed_ms)}")
    if entry.pressure_pa is not None:
        parts.append(f"at {fmt.pressure(entry.pressure_pa)}")
    if entry.nozzle_flows_l_h:
        count, total = len(entry.nozzle_flows_l_h), sum(entry.nozzle_flows_l_h)
        parts.append(f"{pluralize(count, 'nozzle')} with {fmt.flow(total)} in all")
    return ", " + ", ".join(parts) if parts else ""


def _put_down(entry: Application, fmt: UnitFormatter) -> str:
    liquid = f"{fmt.liquid_rate(entry.rate_l_m2)}" if entry.rate_l_m2 else ""
    if entry.additive is not None:
        liquid += f" with {100 * entry.additive_frac:.0f} % {entry.additive}"
    salt = f"salt {fmt.solid_rate(entry.salt_kg_m2)}" if entry.salt_kg_m2 else ""
    sand = f"sand {fmt.solid_rate(entry.sand_kg_m2)}" if entry.sand_kg_m2 else ""
    return ", ".join(filter(None, (liquid, salt, sand)))


def _amount(entry: Delivery | Measurement | Loss, fmt: UnitFormatter) -> str:
    if entry.salt_kg is not None:
        return fmt.mass(entry.salt_kg)
    return "" if entry.volume_l is None else fmt.volume(entry.volume_l)


def _liquid_read(entry: BatchMade | Delivery | Measurement, fmt: UnitFormatter) -> str:
    parts = []
    if entry.specific_gravity is not None:
        parts.append(f"hydrometer {entry.specific_gravity:.3f}")
    if entry.strength_frac is not None:
        parts.append(f"{100 * entry.strength_frac:.1f} %")
    if entry.temp_c is not None:
        parts.append(f"at {fmt.temperature(entry.temp_c)}")
    return ", " + " ".join(parts) if parts else ""


def _store(store: str) -> str:
    return "salt pile" if store == SALT_PILE else store
