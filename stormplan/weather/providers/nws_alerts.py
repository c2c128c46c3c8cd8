"""Active alerts of the US National Weather Service for the zones of the sites.

``parse`` turns one ``/alerts/active`` body into alerts with their zones: pure, no request, no
clock. A site's zones are named by the same reply that names its grid, so one request serves all
sites. The event is over at ``ends``; ``expires`` is only the end of the message, often hours
earlier, and is used for nothing but an alert that states no end.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from stormplan.errors import ForecastError
from stormplan.weather.alerts import Alert, sort_by_severity
from stormplan.weather.http_client import Fetcher
from stormplan.weather.providers import Location
from stormplan.weather.providers.intervals import parse_utc
from stormplan.weather.providers.nws import BASE_URL, format_coordinate
from stormplan.weather.reply_text import parse_json

MAX_ZONES_PER_REQUEST = 60  # keeps an address well below 1000 characters
TIMES = ("sent", "effective", "onset", "expires", "ends")
UNKNOWN_TIME = datetime(1970, 1, 1, tzinfo=UTC)  # of an alert that does not say when it was sent
STATUSES = ("Actual", "Exercise", "System", "Test", "Draft")  # CAP 1.2, 3.2.1, "status"
POINT_ZONES = ("forecastZone", "county")  # alerts are issued for either kind


@dataclass(frozen=True)
class ZonedAlert:
    """An alert, the zones it is for, and when its message expires."""

    alert: Alert
    zones: frozenset[str]
    expires_at: datetime | None

    def is_over(self, now: datetime) -> bool:
        """Return whether the event has ended; without a stated end, whether the message has."""
        end = self.alert.ends_at or self.expires_at
        return end is not None and end <= now


def parse_alerts(payload: object) -> tuple[list[ZonedAlert], list[str]]:
    """Read one body of active alerts.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it.

    Returns
    -------
    list of ZonedAlert
        Real ones only: no tests, no cancellations, none that another one replaces. One with a time
        that cannot be read is among them, that time quoted in its headline.
    list of str
        Why others cannot be shown.

    Raises
    ------
    ForecastError
        Not a collection of alerts.
    """
    features = payload.get("features") if isinstance(payload, Mapping) else None
    if not isinstance(features, Sequence) or isinstance(features, str):
        raise ForecastError("nws alerts: the reply is not a collection of alerts ('features')")
    unreadable: list[str] = []
    entries = []
    for feature in features:
        properties = _properties(feature)
        if properties is None:
            unreadable.append("nws alerts: an entry without 'properties'")
        elif properties.get("status") not in STATUSES:
            unreadable.append("nws alerts: an entry whose 'status' is not said")
        else:
            entries.append(properties)
    replaced = {
        str(reference.get("identifier"))
        for entry in entries
        for reference in _references(entry)
        if isinstance(reference, Mapping)
    }
    found = []
    for each in entries:
        is_real = each.get("status") == "Actual" and each.get("messageType") != "Cancel"
        if not is_real or str(each.get("id")) in replaced:
            continue
        try:
            zoned = _zoned_alert(each)
        except (ValueError, TypeError, ArithmeticError) as error:
            unreadable.append(f"nws alerts: an entry that cannot be read ({type(error).__name__})")
            continue
        if zoned.zones:
            found.append(zoned)
        else:
            unreadable.append(f"nws alerts: {zoned.alert.event[:60]}: no zones named")
    return found, unreadable


def _properties(feature: object) -> Mapping[str, object] | None:
    """Return an entry's properties; None for one that says nothing at all."""
    properties = feature.get("properties") if isinstance(feature, Mapping) else None
    return properties if isinstance(properties, Mapping) else None


def _references(entry: Mapping[str, object]) -> list[object]:
    """Alerts that an entry replaces."""
    named = entry.get("references")
    return named if isinstance(named, list) else []


def _zoned_alert(entry: Mapping[str, object]) -> ZonedAlert:
    """Return an alert; what it lacks or cannot be read is shown as it was received."""
    garbled = [f"{name} {entry.get(name)!s:.40}" for name in TIMES if _is_garbled(entry, name)]
    times = {name: _parse_time(entry, name) for name in TIMES}
    event = str(entry.get("event") or "Alert without a name")
    headline = str(entry.get("headline") or event)
    if garbled:
        headline += f" (not readable: {'; '.join(garbled)})"
    areas = entry.get("affectedZones")
    zones = areas if isinstance(areas, list) else []
    geocode = entry.get("geocode")
    codes = geocode.get("UGC") if isinstance(geocode, Mapping) else None
    named = [*zones, *(codes if isinstance(codes, list) else [])]
    alert = Alert(
        identifier=str(entry.get("id") or headline),
        event=event,
        severity=str(entry.get("severity") or "Unknown"),
        starts_at=times["onset"] or times["effective"],
        ends_at=times["ends"],
        issued_at=times["sent"] or UNKNOWN_TIME,
        issuer=str(entry.get("senderName") or "National Weather Service"),
        headline=headline,
    )
    # an end that cannot be read is none: the message's own end would hide the event
    expires_at = None if _is_garbled(entry, "ends") else times["expires"]
    return ZonedAlert(alert, frozenset(_zone_code(zone) for zone in named), expires_at)


def _parse_time(entry: Mapping[str, object], name: str) -> datetime | None:
    """Return a moment of an entry; None where it is not given or cannot be read."""
    return parse_utc(entry.get(name))


def _is_garbled(entry: Mapping[str, object], name: str) -> bool:
    return entry.get(name) is not None and _parse_time(entry, name) is None


def _zone_code(zone: object) -> str:
    """Last part of a zone's address, which is its code."""
    return str(zone).rstrip("/").rsplit("/", 1)[-1]


class NwsAlerts:
    """Alerts of the service at one address, for one run.

    Parameters
    ----------
    fetcher : Fetcher
        Asks, and keeps what comes.
    base_url : str
        Where the service is.
    """

    def __init__(self, fetcher: Fetcher, base_url: str = BASE_URL) -> None:
        self._fetcher = fetcher
        self._base_url = base_url.rstrip("/")
        self.stale_reasons: list[str] = []  # why older replies had to stand in
        self.unreadable: list[str] = []  # why single alerts cannot be shown

    def active(self, locations: Iterable[Location], now: datetime) -> tuple[Alert, ...]:
        """Return the alerts in force for some locations, each with its sites.

        Parameters
        ----------
        locations : iterable of Location
            Where; a place whose zones were never named counts as outside coverage.
        now : datetime
            Moment of planning, aware UTC.

        Returns
        -------
        tuple of Alert
            The worst first.

        Raises
        ------
        ForecastError
            They could not be had; the text says why.
        """
        zones = {place.key: self._zones(place, now) for place in locations}
        wanted = sorted({zone for named in zones.values() for zone in named})
        alerts_by_id: dict[str, ZonedAlert] = {}
        for first in range(0, len(wanted), MAX_ZONES_PER_REQUEST):
            for zoned in self._ask(wanted[first : first + MAX_ZONES_PER_REQUEST], now):
                alerts_by_id[zoned.alert.identifier] = zoned
        return sort_by_severity(
            zoned.alert.model_copy(update={"sites": sites})
            for zoned in alerts_by_id.values()
            if (sites := tuple(key for key, named in zones.items() if named & zoned.zones))
        )

    def _zones(self, location: Location, now: datetime) -> frozenset[str]:
        """Zones of a place, as named by the kept reply that named its grid."""
        latitude, longitude = (
            format_coordinate(location.latitude_deg),
            format_coordinate(location.longitude_deg),
        )
        stored = self._fetcher.archive.last_good_reply(
            f"{self._base_url}/points/{latitude},{longitude}", now
        )
        if stored is None:
            return frozenset()
        try:
            payload = parse_json(stored.body)
        except ValueError:
            return frozenset()
        properties = _properties(payload) or {}
        return frozenset(
            _zone_code(properties[name]) for name in POINT_ZONES if properties.get(name)
        )

    def _ask(self, zones: Sequence[str], now: datetime) -> list[ZonedAlert]:
        url = f"{self._base_url}/alerts/active?zone={','.join(zones)}"
        reply = self._fetcher.get(url, now, parse_alerts)
        if reply.state == "stale":
            self.stale_reasons.append(reply.reason)
        found, unreadable = parse_alerts(reply.payload)
        self.unreadable += unreadable
        return [zoned for zoned in found if not zoned.is_over(now)]
