"""Active alerts of the US National Weather Service for the zones of the sites.

``parse`` turns one ``/alerts/active`` body into alerts with their zones: pure, no request, no
clock. A site's zones are named by the same reply that names its grid, so one request serves all
sites. The event is over at ``ends``; ``expires`` is only the end of the message, often hours
earlier, and is used for nothing but an alert that states no end.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from stormplan.errors import ForecastError
from stormplan.weather.alerts import Alert, in_order
from stormplan.weather.http_client import Fetcher
from stormplan.weather.providers import Place
from stormplan.weather.providers.nws import BASE_URL, coordinate

ZONES_AT_ONCE = 60  # keeps an address well below 1000 characters
POINT_ZONES = ("forecastZone", "county")  # alerts are issued for either kind


@dataclass(frozen=True)
class Zoned:
    """An alert, the zones it is for, and when its message expires."""

    alert: Alert
    zones: frozenset[str]
    expires_at: datetime | None

    def over(self, now: datetime) -> bool:
        """Tell whether the event is over; where no end is stated, whether the message is."""
        end = self.alert.ends or self.expires_at
        return end is not None and end <= now


def parse(payload: object) -> list[Zoned]:
    """Read one body of active alerts.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it [-].

    Returns
    -------
    list of Zoned
        Real ones only: no tests, no cancellations, none that another one replaces.

    Raises
    ------
    ForecastError
        Not a collection of alerts, or one that lacks what must be shown.
    """
    features = payload.get("features") if isinstance(payload, Mapping) else None
    if not isinstance(features, Sequence) or isinstance(features, str):
        raise ForecastError("nws alerts: the reply is no collection of alerts ('features')")
    found = [_properties(feature) for feature in features]
    replaced = {
        str(reference.get("identifier"))
        for each in found
        for reference in _references(each)
        if isinstance(reference, Mapping)
    }
    return [
        _zoned(each)
        for each in found
        if each.get("status") == "Actual"
        and each.get("messageType") != "Cancel"
        and str(each.get("id")) not in replaced
    ]


def _properties(feature: object) -> Mapping[str, object]:
    properties = feature.get("properties") if isinstance(feature, Mapping) else None
    if not isinstance(properties, Mapping):
        raise ForecastError("nws alerts: an entry without 'properties'")
    return properties


def _references(each: Mapping[str, object]) -> list[object]:
    """Alerts that an entry replaces."""
    named = each.get("references")
    return named if isinstance(named, list) else []


def _zoned(each: Mapping[str, object]) -> Zoned:
    for name in ("id", "event", "sent"):
        if not isinstance(each.get(name), str):
            raise ForecastError(f"nws alerts: an entry without '{name}'")
    issued_at = _moment(each, "sent")
    assert issued_at is not None  # just seen to be there
    areas = each.get("affectedZones")
    zones = areas if isinstance(areas, list) else []
    geocode = each.get("geocode")
    codes = geocode.get("UGC") if isinstance(geocode, Mapping) else None
    named = [*zones, *(codes if isinstance(codes, list) else [])]
    alert = Alert(
        key=str(each["id"]),
        what=str(each["event"]),
        severity=str(each.get("severity") or "Unknown"),
        starts=_moment(each, "onset") or _moment(each, "effective"),
        ends=_moment(each, "ends"),
        issued_at=issued_at,
        issuer=str(each.get("senderName") or "National Weather Service"),
        headline=str(each.get("headline") or each["event"]),
    )
    return Zoned(alert, frozenset(_code(zone) for zone in named), _moment(each, "expires"))


def _moment(each: Mapping[str, object], name: str) -> datetime | None:
    text = each.get(name)
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(str(text))
        if moment.tzinfo is not None:
            return moment.astimezone(UTC)
    except (ValueError, OverflowError):
        pass
    raise ForecastError(f"nws alerts: '{name}' is no moment with its zone: {str(text)[:40]!r}")


def _code(zone: object) -> str:
    """Last part of a zone's address, which is its code."""
    return str(zone).rstrip("/").rsplit("/", 1)[-1]


class NwsAlerts:
    """Alerts of the service at one address, for one run.

    Parameters
    ----------
    fetcher : Fetcher
        Asks, and keeps what comes [-].
    base_url : str
        Where the service is [-].
    """

    def __init__(self, fetcher: Fetcher, base_url: str = BASE_URL) -> None:
        self._fetcher = fetcher
        self._base_url = base_url.rstrip("/")
        self.stale: list[str] = []  # why older replies had to stand in

    def active(self, places: Iterable[Place], now: datetime) -> tuple[Alert, ...]:
        """Give the alerts in force for some places, each with the sites it is for.

        Parameters
        ----------
        places : iterable of Place
            Where; a place whose zones were never named counts as outside coverage [-].
        now : datetime
            Moment of planning, aware UTC [-].

        Returns
        -------
        tuple of Alert
            The worst first.

        Raises
        ------
        ForecastError
            They could not be had; the text says why.
        """
        zones = {place.key: self._zones(place, now) for place in places}
        wanted = sorted({zone for named in zones.values() for zone in named})
        found: dict[str, Zoned] = {}
        for at in range(0, len(wanted), ZONES_AT_ONCE):
            for zoned in self._ask(wanted[at : at + ZONES_AT_ONCE], now):
                found[zoned.alert.key] = zoned
        return in_order(
            zoned.alert.model_copy(update={"sites": sites})
            for zoned in found.values()
            if (sites := tuple(key for key, named in zones.items() if named & zoned.zones))
        )

    def _zones(self, place: Place, now: datetime) -> frozenset[str]:
        """Zones of a place, as named by the kept reply that named its grid."""
        latitude, longitude = coordinate(place.latitude_deg), coordinate(place.longitude_deg)
        kept = self._fetcher.archive.last_good(
            f"{self._base_url}/points/{latitude},{longitude}", now
        )
        if kept is None:
            return frozenset()
        properties = json.loads(kept.body)["properties"]
        return frozenset(_code(properties[name]) for name in POINT_ZONES if properties.get(name))

    def _ask(self, zones: Sequence[str], now: datetime) -> list[Zoned]:
        url = f"{self._base_url}/alerts/active?zone={','.join(zones)}"
        reply = self._fetcher.get(url, now, parse)
        if reply.state == "stale":
            self.stale.append(reply.reason)
        return [zoned for zoned in parse(reply.payload) if not zoned.over(now)]
