"""The command ``accept``: whether a delivered load is taken, what is paid, and its sheet.

As everywhere on the command line, imports of anything heavy stand inside the command.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stormplan.cli.record.options import (
    OUT,
    AmountArgument,
    ArchiveOption,
    AtOption,
    ByOption,
    CorrectsOption,
    NoteOption,
    OutOption,
    PhotosOption,
    YardArgument,
    archive_path,
    parse_given,
    parse_local_moment,
)
from stormplan.cli.sites_option import SitesOption
from stormplan.errors import ExitCode, InputError

if TYPE_CHECKING:
    from stormplan.company.sites import Sites
    from stormplan.liquids.acceptance import Inspected, LoadJudgment
    from stormplan.liquids.blend import Liquid
    from stormplan.units import UnitFormatter


def register_commands(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(accept)


Share = Annotated[str | None, typer.Option(help="In percent, like 1%.")]


def accept(
    yard: YardArgument,
    product: Annotated[str, typer.Argument(help="What came: a product, brine, or salt.")],
    amount: AmountArgument,
    sites: SitesOption,
    into: Annotated[
        str | None, typer.Option(help="Tank it is for; default totes, or the pile.")
    ] = None,
    papers: Annotated[
        bool | None,
        typer.Option("--papers-good/--papers-bad", help="Complete, and as ordered."),
    ] = None,
    look: Annotated[
        bool | None, typer.Option("--look-good/--look-bad", help="Looks and smells as it should.")
    ] = None,
    ticket: Annotated[str, typer.Option(help="Number of the weight ticket.")] = "",
    batch: Annotated[str, typer.Option(help="The supplier's batch.")] = "",
    net: Annotated[str | None, typer.Option(help="Net weight by the ticket, like 48800lb.")] = None,
    stated: Annotated[
        str | None, typer.Option(help="Strength by the papers, like 32%; default the product's.")
    ] = None,
    states_solids: Annotated[
        bool, typer.Option("--states-solids", help="The papers state solids, not a chloride.")
    ] = False,
    temperature: Annotated[str | None, typer.Option(help="Of the liquid, like 40F.")] = None,
    sg: Annotated[float | None, typer.Option(help="Hydrometer reading, like 1.306.")] = None,
    salometer: Annotated[
        float | None, typer.Option(help="Salometer degrees instead, of salt brine.")
    ] = None,
    refractometer: Annotated[
        str | None, typer.Option(help="Freeze point by a refractometer, like -5F.")
    ] = None,
    sg_tolerance: Annotated[
        str | None, typer.Option(help="What a contract tolerates of gravity: said as strength.")
    ] = None,
    sediment: Annotated[
        str | None, typer.Option(help="What settled out of a liter, by volume, like 0.5%.")
    ] = None,
    through_sieve: Annotated[
        str | None, typer.Option(help="What passes a No. 10 sieve, like 99.5%.")
    ] = None,
    trace: Annotated[
        str | None, typer.Option(help="Elements by the analysis, in ppm, like Zn=4,P=900.")
    ] = None,
    moisture: Annotated[str | None, typer.Option(help="Of salt, as delivered, like 1.8%.")] = None,
    nacl: Annotated[str | None, typer.Option(help="NaCl of the dry salt, like 96%.")] = None,
    gradation: Annotated[
        str | None,
        typer.Option(help="Salt passing 1/2 in, 3/8 in, No. 4, 8, 30, in %: 100,97,60,35,9."),
    ] = None,
    treated: Annotated[bool, typer.Option("--treated-salt", help="The salt is treated.")] = False,
    sheet: Annotated[
        Path | None, typer.Option(help="Write the receiving sheet, like receiving.html.")
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Add the delivery to the record, with its strength.")
    ] = False,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
    photos: PhotosOption = None,
    corrects: CorrectsOption = None,
) -> None:
    """Judge a delivered load: accept, deduct, hold or reject; and keep it in the record.

    Without any finding it is a blank sheet to take to the truck. Exit code 0: accepted, in full or
    with a deduction; 3: held or rejected.
    """
    from stormplan.company import sites_file
    from stormplan.liquids import acceptance, assay
    from stormplan.record.checks import complete_keys, stores_of
    from stormplan.record.entries import SALT_PILE
    from stormplan.units import UnitFormatter
    from stormplan.words import receiving_sheet

    checked = sites_file.load_sites(sites)
    keys = complete_keys({"yard": yard, "product": product, "store": into or product}, checked)
    yard, product, store = (str(keys[name]) for name in ("yard", "product", "store"))
    _check_known("yard", yard, checked.yards)
    _check_known("product", product, {**checked.products, SALT_PILE: None})
    _check_known(f"store at {yard}", store, dict.fromkeys(stores_of(checked.yards[yard], checked)))
    practice, fmt = checked.practice(), UnitFormatter(checked.company.units)
    seen = acceptance.Inspected(papers, look, parse_given(net, "mass"))
    values: dict[str, object] = {"kind": "delivery", "yard": yard, "product": product}
    values["store"] = store
    if product == SALT_PILE:
        _refuse_given(
            "salt",
            {"--sg": sg, "--salometer": salometer, "--refractometer": refractometer,
             "--temperature": temperature, "--sediment": sediment, "--stated": stated,
             "--through-sieve": through_sieve, "--trace": trace, "--net": net},
        )  # fmt: skip
        judged = acceptance.judge_salt(
            acceptance.SaltLoad(
                inspected=seen,
                is_treated=treated,
                is_for_brine=checked.yards[yard].mixer is not None,
                moisture_frac=parse_given(moisture, "percentage"),
                nacl_frac=parse_given(nacl, "percentage"),
                passing_frac=() if gradation is None else _percents(gradation),
            ),
            practice,
        )
        values["salt_kg"] = parse_given(amount, "mass")
    else:
        _refuse_given(
            "a liquid",
            {"--moisture": moisture, "--nacl": nacl, "--gradation": gradation,
             "--treated-salt": treated or None},
        )  # fmt: skip
        liquid = _stated_liquid(checked, product, stated)
        if sg_tolerance is not None:
            points = assay.tolerance_as_strength(
                liquid, parse_given(sg_tolerance, "percentage") or 0
            )
            print(f"{sg_tolerance} of gravity: {_tolerance_text(checked, product, liquid, points)}")
        judged = _judge_liquid(
            checked,
            product,
            liquid,
            seen,
            {"volume": amount, "temperature": temperature, "refractometer": refractometer,
             "sediment": sediment, "sieve": through_sieve, "trace": trace},
            _gravity(product, sg, salometer),
            _room_l(checked, yard, product, store, archive_path(out, archive)),
            states_solids=states_solids,
        )  # fmt: skip
        values["volume_l"] = judged.volume_l
        values["temp_c"] = parse_given(temperature, "temperature")
        values["strength_frac"] = None if judged.strength is None else judged.strength.strength_frac
    for line in receiving_sheet.text_lines(judged, fmt):
        print(line)
    full_cost = _full_cost(checked, yard, product, amount)
    to_pay = ""
    if full_cost is not None:
        to_pay = receiving_sheet.pay_text(judged, full_cost, checked.company.currency)
        print(f"  {to_pay}")
    name = SALT_PILE if product == SALT_PILE else checked.products[product].name
    if sheet is not None:
        about = receiving_sheet.LoadAbout(
            yard=checked.yards[yard].name,
            product=name,
            amount=_amount(values, fmt),
            into=_place(store, product),
            received_at=f"{parse_local_moment(at):%Y-%m-%d %H:%M}",
            by=by, ticket=ticket, batch=batch, note=note, to_pay=to_pay,
        )  # fmt: skip
        sheet.write_text(
            receiving_sheet.render_html(judged, about, checked.company.name, fmt), encoding="utf-8"
        )
        print(f"written to {sheet}")
    is_taken = judged.outcome in (acceptance.Outcome.ACCEPT, acceptance.Outcome.DEDUCT)
    if keep and is_taken:
        said = _said(judged, ticket, batch, note)
        _keep(values, sites, archive_path(out, archive), said, at, by, photos, corrects)
    elif keep:
        print("not kept: what is held or rejected goes into no tank")
    if not is_taken:
        raise typer.Exit(int(ExitCode.DEGRADED))


def _amount(values: Mapping[str, object], fmt: UnitFormatter) -> str:
    volume_l, salt_kg = values.get("volume_l"), values.get("salt_kg")
    return fmt.volume(float(str(volume_l))) if salt_kg is None else fmt.mass(float(str(salt_kg)))


def _place(store: str, product: str) -> str:
    """Return where a load goes, in words."""
    from stormplan.record.entries import SALT_PILE

    if store == SALT_PILE:
        return "the pile"
    return "totes" if store == product else f"tank {store}"


def _tolerance_text(sites: Sites, product: str, stated: Liquid, points: float) -> str:
    """Return what a contract's tolerance of gravity comes to, and whether it is fit to judge by."""
    from stormplan.company.sites import BRINE_KEY
    from stormplan.liquids import assay
    from stormplan.liquids.hydrometer import REFERENCE_C

    practice, strength = sites.practice(), assay.strength_of_liquid(stated)
    tolerance = practice.number("delivery_strength_tolerance")
    low, high = strength - tolerance, strength + tolerance
    if product == BRINE_KEY:
        low, high = practice.number("brine_accept_min"), practice.number("brine_accept_max")
    sg = assay.reading_sg(stated, REFERENCE_C)
    doubt = assay.strength_by_float(stated, sg, REFERENCE_C).half_width_frac
    is_loose = strength - points < low - doubt or strength + points > high + doubt
    text = f"{100 * points:.1f} points of strength, against {100 * low:.1f} to {100 * high:.1f} %"
    return f"{text}: TOO LOOSE" if is_loose else text


def _room_l(sites: Sites, yard: str, product: str, store: str, archive: Path) -> float | None:
    """Return the room in the tank a load is for [L]; None where it stands in totes.

    Raises
    ------
    InputError
        The tank holds something else.
    """
    from stormplan.cli.planning_commands import parse_moment
    from stormplan.cli.record.adding import record_of
    from stormplan.record.stock_ledger import stock_book

    tank = sites.yards[yard].tanks.get(store)
    if tank is None:
        return None
    if tank.product != product:
        raise InputError(f"tank '{store}' holds {tank.product}, not {product}; pump it elsewhere")
    held_l = tank.on_hand_l
    if archive.exists():
        book = stock_book(sites, record_of(archive), parse_moment(None))
        if yard in book.yards:
            held_l = book.yards[yard].stores[store].volume_l
    return max(tank.capacity_l - max(held_l, 0.0), 0.0)


def _full_cost(sites: Sites, yard: str, product: str, amount: str) -> float | None:
    """Return what a load costs as told, by the sites file; None without a price."""
    from stormplan.company.sites import BRINE_KEY
    from stormplan.record.entries import SALT_PILE

    held = sites.yards[yard]
    price = held.salt.price_per_kg
    if product == BRINE_KEY:
        price = None if held.brine_supply is None else held.brine_supply.price_per_l
    elif product != SALT_PILE:
        price = sites.products[product].price_per_l
    told = parse_given(amount, "mass" if product == SALT_PILE else "volume")
    return None if price is None or told is None else price * told


def _check_known(what: str, key: str, known: Mapping[str, object]) -> None:
    if key not in known:
        raise InputError(f"no {what} '{key}'; accepted: {', '.join(sorted(known))}")


def _refuse_given(what: str, options: Mapping[str, object]) -> None:
    for option, value in options.items():
        if value is not None:
            raise InputError(f"{option} is not found out of {what}")


def _percents(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(one) / 100.0 for one in text.replace("%", "").split(","))
    except ValueError:
        raise InputError(f"'{text}' is no gradation; accepted: 100,97,60,35,9") from None


def _traces(text: str | None) -> dict[str, float]:
    """Read elements and their parts per million."""
    found: dict[str, float] = {}
    for part in (text or "").split(",") if text else ():
        element, _, value = part.partition("=")
        try:
            found[element.strip()] = float(value)
        except ValueError:
            raise InputError(f"'{part}' is no element with its ppm; accepted: Zn=4,P=900") from None
    return found


def _gravity(product: str, sg: float | None, salometer: float | None) -> float | None:
    """Return the reading on a 60/60 °F float, as it is or by salometer."""
    from stormplan.company.sites import BRINE_KEY
    from stormplan.liquids.hydrometer import sg_from_salometer

    if salometer is None:
        return sg
    if sg is not None:
        raise InputError("give --sg or --salometer, not both")
    if product != BRINE_KEY:
        raise InputError("a salometer reads salt brine only; give --sg")
    return float(sg_from_salometer(salometer))


def _stated_liquid(sites: Sites, product: str, stated: str | None) -> Liquid:
    """Return the product with the strength that its papers state."""
    from stormplan.liquids.blend import liquid_at_strength, liquid_from_product

    neat = liquid_from_product(sites.products[product])
    strength = parse_given(stated, "percentage")
    return neat if strength is None else liquid_at_strength(neat, strength)


def _judge_liquid(
    sites: Sites,
    product: str,
    liquid: Liquid,
    seen: Inspected,
    told: Mapping[str, str | None],
    sg: float | None,
    room_l: float | None,
    *,
    states_solids: bool,
) -> LoadJudgment:
    from stormplan.company.sites import BRINE_KEY
    from stormplan.liquids import acceptance

    return acceptance.judge_liquid(
        acceptance.LiquidLoad(
            stated=liquid,
            volume_l=parse_given(told["volume"], "volume") or 0.0,
            room_l=room_l,
            is_brine=product == BRINE_KEY,
            states_solids=states_solids,
            inspected=seen,
            temp_c=parse_given(told["temperature"], "temperature"),
            sg=sg,
            freeze_point_c=parse_given(told["refractometer"], "temperature"),
            sediment_vol_frac=parse_given(told["sediment"], "percentage"),
            through_sieve_frac=parse_given(told["sieve"], "percentage"),
            trace_ppm=_traces(told["trace"]),
        ),
        sites.practice(),
    )


def _said(judged: LoadJudgment, ticket: str, batch: str, note: str) -> str:
    """Return the note of the entry: what was decided, and the supplier's numbers."""
    from stormplan.words.receiving_sheet import headline

    about = ((f"ticket {ticket}", ticket), (f"batch {batch}", batch), (note, note))
    return "; ".join([headline(judged), *(text for text, given in about if given)])


def _keep(
    values: Mapping[str, object],
    sites: Path,
    archive: Path,
    note: str,
    at: str | None,
    by: str,
    photos: list[Path] | None,
    corrects: str | None,
) -> None:
    """Add the delivery to the record, and say what its store holds now."""
    from stormplan.cli.planning_commands import parse_moment
    from stormplan.cli.record.adding import add_entry, record_of
    from stormplan.company import sites_file
    from stormplan.record.entries import SALT_PILE
    from stormplan.record.stock_ledger import stock_book
    from stormplan.units import UnitFormatter

    add_entry(
        values, sites=sites, archive=archive, at=at, by=by, note=note, photos=photos,
        corrects=corrects,
    )  # fmt: skip
    checked = sites_file.load_sites(sites)
    stock = stock_book(checked, record_of(archive), parse_moment(None))
    store = str(values["store"])
    held = stock.yards[str(values["yard"])].stores[store]
    fmt = UnitFormatter(checked.company.units)
    if store == SALT_PILE:
        print(f"the pile holds {fmt.mass(held.total_kg)} by the record")
        return
    strength = (
        "strength not known: read it"
        if held.strength_frac is None
        else f"{100 * held.strength_frac:.1f} %"
    )
    print(f"{store} holds {fmt.volume(held.volume_l)} by the record, {strength}")
