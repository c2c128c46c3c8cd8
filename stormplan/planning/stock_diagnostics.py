"""What a reader must know about the stock a plan stands on."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from stormplan.company.sites import Sites
from stormplan.planning.diagnostics import (
    Diagnostic,
    DiagnosticCode,
    DiagnosticValue,
    Severity,
    degraded,
)
from stormplan.record.entries import SALT_PILE
from stormplan.record.stock import StockBook

#: A difference is mentioned for a week; our own choice.
MENTIONED_FOR = timedelta(days=7)


def stock_diagnostics(stock: StockBook, sites: Sites, now: datetime) -> Iterable[Diagnostic]:
    """Yield where book and yard do not agree.

    Parameters
    ----------
    stock : StockBook
        What the yards hold by the record.
    sites : Sites
        The sites file.
    now : datetime
        The present, aware.

    Yields
    ------
    Diagnostic
        A store out of which more was taken than was in it degrades the plan; a difference beyond
        its limit is warned of, since a measurement has put the book right.
    """
    for yard, held in stock.yards.items():
        for store, one in held.stores.items():
            if one.total_kg < -1.0:  # less than a kilogram is rounding
                yield degraded(
                    DiagnosticCode.STOCK_BELOW_EMPTY, yard=sites.yards[yard].name, store=store
                )
    for check in stock.store_checks:
        if check.is_beyond and now - check.at <= MENTIONED_FOR:
            unit = "kg" if check.store == SALT_PILE else "l"
            yield _warning(
                DiagnosticCode.STOCK_DIFFERENCE,
                yard=sites.yards[check.yard].name,
                store=check.store,
                unit=unit,
                at=check.at.isoformat(),
                booked=round(check.booked, 1),
                measured=round(check.measured, 1),
                limit=round(check.limit, 1),
            )
    for load in stock.load_checks:
        if load.is_beyond and load.end is not None and now - load.end <= MENTIONED_FOR:
            yield _warning(
                DiagnosticCode.LOAD_DIFFERENCE,
                yard=sites.yards[load.yard].name,
                sprayer=sites.yards[load.yard].sprayers[load.sprayer].name,
                at=load.end.isoformat(),
                difference=round(load.difference_l, 1),
                loaded=round(load.loaded_l, 1),
            )


def _warning(code: DiagnosticCode, **values: DiagnosticValue) -> Diagnostic:
    return Diagnostic(code=code, severity=Severity.WARNING, values=values)
