"""Refreeze notices: what each client should hear about slippery hours, drafted in plain words.

For the account manager: which surfaces of whose sites can freeze, between which
local hours, how likely, what the crew will do and what the client should. Drafts only; nobody is
written to from here. No notice promises safety, and none uses a word of the trade.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from textwrap import fill
from zoneinfo import ZoneInfo

from stormplan.events.hazards import SEVERITY_ORDER, SNOW_HAZARDS, Hazard
from stormplan.planning.plan import ClientPlan, Plan, SitePlan, SurfacePlan
from stormplan.treatment.records import Action, Treatment
from stormplan.units import UnitFormatter
from stormplan.words import templating
from stormplan.words.formatting import ReportFormat, capitalize_first, join_names, pluralize

MAIL_WIDTH = 76  # characters of a line of mail
SMS_MAX_CHARS = 160  # of one text message in the GSM 7-bit alphabet (3GPP TS 23.038)
MIN_SMS_NAME_CHARS = 20  # of a site that is cut to fit; our own choice
MAX_SUBJECT_SITES = 3  # the rest is counted
#: "Likely" begins here, as in public forecasts: NWS Directive 10-503 (60 %), from memory.
DRAFT_NOTE = "DRAFT, not sent. Read it, change it, then send it."
#: Printable ASCII that the GSM 7-bit alphabet lacks or counts twice (3GPP TS 23.038, 6.2.1).
NOT_GSM = str.maketrans("`[]{}~^\\|", "'()()--//")

# Plain words for what comes and for what is asked of people: common practice, no source. The hints
# on where ice hides: a state risk-management tip for property users, 2015.
HAZARD_NOUNS: Mapping[Hazard, str] = {
    Hazard.FROST: "frost",
    Hazard.REFREEZE: "ice",
    Hazard.SLEET: "ice pellets",
    Hazard.FREEZING_RAIN: "freezing rain",
} | dict.fromkeys(SNOW_HAZARDS, "snow")
REFREEZING, LEFTOVER_ICE = ", where wet spots freeze", ", where melting snow or ice refreezes"
ACTION_PHRASES: Mapping[Action, str] = {
    Action.PRETREAT: "apply liquid de-icer before it starts",
    Action.POST_TREAT: "apply liquid de-icer to what is left",
    Action.SALT: "put salt down",
    Action.SAND: "put sand down, without salt",
    Action.PLOW: "clear the snow",
    Action.INSPECT: "check, and treat slick spots",
    Action.UNKNOWN: "look at the site",
}
SPREAD_ACTIONS = (Action.SALT, Action.SAND, Action.POST_TREAT)
WATCHING = "We are watching this and will update you."
CLIENT_ADVICE = (
    "Use the cleared routes, walk slowly, and look before you step or drive: ice can be there when"
    " nothing has fallen.",
    "Watch for dark, wet-looking pavement, shaded spots, and low spots near melting piles.",
    "Put mats at the doors, and tell us at once about a leaking downspout or water running across"
    " a walk.",
)
CLOSING_NOTE = "Treated pavement can still be slippery. Conditions can change; we will update you."


@dataclass(frozen=True)
class NoticeLine:
    """A period of slippery hours on some surfaces of a site, as text.

    Attributes
    ----------
    noun : str
        What comes.
    chance : str
        Likely or possible.
    text : str
        All of it in a sentence or two.
    when, begins : str
        Its hours, or the first, with date and zone.
    start, end : datetime
        Its hours, aware.
    severity : int
        How bad, by the order of hazards [-].
    note : str
        What the drafting office should know and the client is not told; empty without any.
    """

    noun: str
    chance: str
    text: str
    when: str
    begins: str
    start: datetime
    end: datetime
    severity: int
    note: str = ""


@dataclass(frozen=True)
class SiteNotice:
    """What a client hears of one site: its lines, and one text message."""

    name: str
    lines: tuple[NoticeLine, ...]
    sms_text: str

    @property
    def worst(self) -> NoticeLine:
        """The worst that comes; of equals the first."""
        return max(self.lines, key=lambda line: (line.chance == "likely", line.severity))


@dataclass(frozen=True)
class Notice:
    """The drafted notice of one client."""

    key: str
    client: str
    contact: str | None
    phone: str | None
    contact_by: str
    subject: str
    sites: tuple[SiteNotice, ...]
    text: str

    @property
    def address(self) -> str | None:
        """Where it goes, by the way the client wants to be told; None where there is no such."""
        if self.contact_by != "mail":
            return self.phone
        return self.contact if _address(self.client, self.contact) is not None else None


def draft_notices(plan: Plan) -> tuple[Notice, ...]:
    """Draft a notice for every client with something to hear.

    Parameters
    ----------
    plan : Plan
        The record.

    Returns
    -------
    tuple of Notice
        In the order of the sites file; clients whose sites face nothing have none.
    """
    clients = {key: client.key for client in plan.clients for key in client.sites}
    sites: dict[str, list[SitePlan]] = {client.key: [] for client in plan.clients}
    for site in plan.sites:
        if site.key in clients:
            sites[clients[site.key]].append(site)
    drafted = (_draft_notice(client, sites[client.key], plan) for client in plan.clients)
    return tuple(notice for notice in drafted if notice is not None)


def draft_files(plan: Plan) -> dict[str, str]:
    """Write every draft as text, and as the mail or text messages it is sent as.

    Parameters
    ----------
    plan : Plan
        The record.

    Returns
    -------
    dict of str to str
        ``notices/CLIENT.txt``, and ``.eml`` or ``.sms`` where the client wants mail or text.
    """
    files: dict[str, str] = {}
    for notice in draft_notices(plan):
        name = _file_name(notice.key, files)
        files[f"notices/{name}.txt"] = notice.text
        if notice.contact_by == "mail":
            files[f"notices/{name}.eml"] = draft_mail(notice, plan)
        elif notice.contact_by == "text":
            files[f"notices/{name}.sms"] = draft_text_messages(notice)
    return files


def _file_name(key: str, taken: Mapping[str, str]) -> str:
    """Return an unused file name, made of a key, that cannot leave its folder."""
    plain = re.sub(r"[^a-z0-9_-]+", "-", key.casefold()).strip("-")[:40] or "client"
    name, number = plain, 2
    while f"notices/{name}.txt" in taken:
        name, number = f"{plain}-{number}", number + 1
    return name


def render_html(plan: Plan) -> str:
    """Render all drafts as one page."""
    fmt = ReportFormat(UnitFormatter(plan.units), ZoneInfo(plan.timezone))
    unknown = set(plan.unknown_sites)
    return templating.render(
        "notices.html",
        company=plan.company,
        made_at=fmt.full_datetime(plan.made_at),
        notices=draft_notices(plan),
        unknown_sites=join_names([site.name for site in plan.sites if site.key in unknown]),
        advice=CLIENT_ADVICE,
        closing=f"{_questions(plan)} {CLOSING_NOTE}",
        draft=DRAFT_NOTE,
    )


# -- what is said ---------------------------------------------------------------------------------


def _draft_notice(client: ClientPlan, sites: Sequence[SitePlan], plan: Plan) -> Notice | None:
    formatter = UnitFormatter(plan.units)
    found: list[SiteNotice] = []
    for site in sites:
        lines = _notice_lines(site, formatter, client)
        if lines:
            told = SiteNotice(one_line(site.name), lines, "")
            fmt = ReportFormat(formatter, ZoneInfo(site.timezone))
            found.append(replace(told, sms_text=_sms_text(told, plan, fmt)))
    if not found:
        return None
    subject = _subject(found)
    return Notice(
        key=client.key,
        client=one_line(client.name),
        contact=client.contact,
        phone=client.phone,
        contact_by=client.contact_by,
        subject=subject,
        sites=tuple(found),
        text=_notice_text(client, found, plan, subject),
    )


def _subject(sites: Sequence[SiteNotice]) -> str:
    """Return a clause for each site with the worst that comes to it, the worst site first."""
    worst_first = sorted(sites, key=lambda site: -site.worst.severity)
    clauses = [
        f"{site.worst.noun} {site.worst.chance}: {site.name} from {site.worst.begins}"
        for site in worst_first[:MAX_SUBJECT_SITES]
    ]
    more = len(sites) - len(clauses)
    clauses += [f"and {pluralize(more, 'more site')}"] if more else []
    return one_line(capitalize_first("; ".join(clauses)))


def _notice_lines(
    site: SitePlan, formatter: UnitFormatter, client: ClientPlan
) -> tuple[NoticeLine, ...]:
    """Return a site's slippery periods, once for surfaces that share them, in order of time."""
    fmt = ReportFormat(formatter, ZoneInfo(site.timezone))
    names: dict[_Period, list[str]] = {}
    for surface in site.surfaces:
        for period in _slippery_periods(surface):
            if period.probability >= client.notice_probability - 1e-9:
                left = period.probability_as_planned
                said = replace(
                    period,
                    probability=round(period.probability, 1),
                    probability_as_planned=None if left is None else round(left, 1),
                )
                names.setdefault(said, []).append(surface.name)
    ordered = sorted(names.items(), key=lambda item: (item[0].start, item[0].end, item[0].noun))
    return tuple(
        _notice_line(period, where, client.notice_likely_from, fmt) for period, where in ordered
    )


@dataclass(frozen=True)
class _Period:
    """Slippery hours of a surface: what comes and why, how likely [-], how much, what is done."""

    start: datetime
    end: datetime
    noun: str
    why: str
    probability: float
    snow: str
    doing: str
    severity: int
    probability_as_planned: float | None = None  # once all that is planned is done


def _slippery_periods(surface: SurfacePlan) -> Iterable[_Period]:
    for item in surface.treatments:
        event = item.event
        if event is not None:
            snow_in = event.snowfall_cm / 2.54 if event.hazard in SNOW_HAZARDS else 0.0
            yield _Period(
                event.start,
                event.end,
                HAZARD_NOUNS[event.hazard],
                REFREEZING if event.hazard is Hazard.REFREEZE else "",
                event.probability,
                _inches(snow_in),
                _doing(item, event.hazard),
                SEVERITY_ORDER.index(event.hazard),
                event.probability_as_planned if event.hazard is Hazard.REFREEZE else None,
            )
    for one in surface.refreeze_periods:
        if one.water_source == "what the storm leaves":
            doing = _doing_after(surface, one.start)
            severity = SEVERITY_ORDER.index(Hazard.REFREEZE)
            chances = one.probability, one.probability_as_planned
            yield _Period(
                one.start, one.end, "ice", LEFTOVER_ICE, chances[0], "", doing, severity, chances[1]
            )


def _inches(depth_in: float) -> str:
    """Return a depth of snow as people say it; nothing where there is none to speak of."""
    if depth_in < 0.1:
        return ""
    whole = math.floor(depth_in + 0.5)
    return "under 1 inch" if whole < 1 else f"about {pluralize(whole, 'inch', 'inches')}"


def _doing(item: Treatment, hazard: Hazard) -> str:
    """Return what the crew does, as a plan and not as a promise."""
    if item.action is Action.NOTHING:
        return ""
    if item.action is Action.WAIT:
        return WATCHING
    clears_frost = item.action is Action.PLOW and hazard is Hazard.FROST
    text = ACTION_PHRASES[Action.SAND if clears_frost else item.action]
    is_snow = hazard in SNOW_HAZARDS and item.action is not Action.PLOW
    if is_snow and any(visit.plow for visit in item.visits):
        text += ", and clear snow as it piles up"
    return f"Our plan: {text}."


def _doing_after(surface: SurfacePlan, end: datetime) -> str:
    """Return what the crew does about what a storm leaves: after it, else as it ends."""
    visits = sorted(
        (
            visit
            for item in surface.treatments
            if item.event is not None and item.event.end <= end
            for visit in item.visits
        ),
        key=lambda visit: visit.at,
    )
    if any(visit.at >= end and visit.action is Action.INSPECT for visit in visits):
        return f"Our plan: {ACTION_PHRASES[Action.INSPECT]}."
    spread = [visit for visit in visits if visit.action in SPREAD_ACTIONS]
    if not spread:
        return WATCHING
    return f"Our plan: {ACTION_PHRASES[spread[-1].action]} as it ends."


def _notice_line(
    period: _Period, surfaces: Sequence[str], likely_from: float, fmt: ReportFormat
) -> NoticeLine:
    chance = "likely" if period.probability >= likely_from - 1e-9 else "possible"
    tens = _tens(period.probability)
    snow = period.snow if fmt.units.is_us else ""  # inches are said to people who use them
    when = fmt.dated_range(period.start, period.end)
    where = one_line(join_names(list(dict.fromkeys(surfaces))))
    amount = f", {snow}," if snow else ""
    what = f"{capitalize_first(period.noun)} is {chance} ({tens} in 10){amount}"
    said = f"{what} on the {where}{period.why}."
    return NoticeLine(
        noun=period.noun,
        chance=chance,
        text=" ".join(filter(None, (said, period.doing))),
        when=when,
        begins=fmt.dated_hour(period.start),
        start=period.start,
        end=period.end,
        severity=period.severity,
        note=_note(period),
    )


def _note(period: _Period) -> str:
    """Return what is left of a chance once all planned work is done; empty without any work."""
    if period.probability_as_planned is None:
        return ""
    left, worst = _tens(period.probability_as_planned), _tens(period.probability)
    if left == worst:
        return "Not in the notice: as likely with all planned work done."
    done = f"{left} in 10 with all planned work done"
    return f"Not in the notice: {done}, at worst {worst} in 10 before that."


def _tens(probability: float) -> int:
    return min(max(round(10 * probability), 1), 9)


def _questions(plan: Plan) -> str:
    how = "answer this mail" if plan.phone is None else f"call {plan.phone}, day or night"
    return f"Questions or a slick spot: {how}."


def _notice_text(client: ClientPlan, sites: Sequence[SiteNotice], plan: Plan, subject: str) -> str:
    """Write the notice out, one paragraph a site."""
    fmt = ReportFormat(UnitFormatter(plan.units), ZoneInfo(plan.timezone))
    out = [DRAFT_NOTE, "", f"Subject: {subject}", "", f"To {one_line(client.name)}", ""]
    for site in sites:
        out.append(site.name)
        for line in site.lines:
            said = f"{line.when}: {line.text}"
            out.append(fill(said, MAIL_WIDTH, initial_indent="- ", subsequent_indent="  "))
        out.append("")
    out.append("Please:")
    out += [
        fill(line, MAIL_WIDTH, initial_indent="- ", subsequent_indent="  ")
        for line in CLIENT_ADVICE
    ]
    out += [
        "",
        fill(f"{_questions(plan)} {CLOSING_NOTE}", MAIL_WIDTH),
        "",
        one_line(plan.company),
        f"as of {fmt.full_datetime(plan.made_at)}",
        "",
    ]
    return "\n".join(out)


def _sms_text(site: SiteNotice, plan: Plan, fmt: ReportFormat) -> str:
    """Return one text message that is true for one site, of at most 160 GSM 7-bit characters.

    It has the hours of the worst, over all surfaces, and what else is likely from when.
    """
    worst = site.worst
    end = worst.end
    for line in site.lines:
        if line.noun == worst.noun and worst.start <= line.start <= end:
            end = max(end, line.end)
    hours = fmt.dated_range(worst.start, end).replace(" to ", "-")
    what = ": " + gsm_text(f"{worst.noun} {worst.chance} {hours}.")
    caution = " Treated ground can still be slippery."
    room = SMS_MAX_CHARS - len(what) - len(caution)
    name = gsm_text(site.name)
    if len(name) > max(room, MIN_SMS_NAME_CHARS):
        name = f"{name[: max(room, MIN_SMS_NAME_CHARS) - 3].rstrip(' ,')}..."
    call = "" if plan.phone is None else " " + gsm_text(f"Call {plan.phone}.")
    text = f"{name}{what}"
    for before, after in (
        (gsm_text(_what_follows(site, end, fmt)), f"{caution}{call}"),
        ("", f"{caution}{call}"),
        ("", caution),
    ):
        whole = f"{text} {before}".rstrip() + after
        if len(whole) <= SMS_MAX_CHARS:
            break
    signed = f"{whole} {gsm_text(one_line(plan.company))}"
    return signed if len(signed) <= SMS_MAX_CHARS else whole


def _what_follows(site: SiteNotice, end: datetime, fmt: ReportFormat) -> str:
    """Return what else is likely after a moment, and from when; empty for nothing."""
    for line in site.lines:
        if line.start >= end and line.chance == "likely":
            what = "again" if line.noun == site.worst.noun else line.noun
            return f"Then {what} from {fmt.day_hour(line.start)}."
    return ""


def gsm_text(text: str) -> str:
    """Return the text in ASCII that the GSM 7-bit alphabet has, each letter counted once."""
    return ascii_text(text).translate(NOT_GSM)


def ascii_text(text: str) -> str:
    """Return the text in ASCII."""
    swapped = text.replace("–", "-").replace("’", "'").replace("°", " deg ")
    folded = unicodedata.normalize("NFKD", swapped).encode("ascii", "ignore").decode()
    return " ".join(folded.split())


def one_line(text: str) -> str:
    """Return the text on one line, without control characters."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


# -- mail and text messages ------------------------------------------------------------------------


def draft_mail(notice: Notice, plan: Plan) -> str:
    """Return a draft as an unsent mail, addressed where the contact is a mail address.

    Parameters
    ----------
    notice : Notice
        The draft.
    plan : Plan
        The record it is of.

    Returns
    -------
    str
        A message (RFC 5322) marked as unsent.
    """
    message = EmailMessage(policy=SMTP)
    message["Subject"] = notice.subject
    sender = _address(plan.company, plan.contact)
    if sender is not None:
        message["From"] = sender
    receiver = _address(notice.client, notice.contact)
    if receiver is not None:
        message["To"] = receiver
    message["Date"] = plan.made_at
    message["X-Unsent"] = "1"
    body = notice.text.split("\n\n", 2)[2]  # without the draft's own heading
    message.set_content(body)
    return message.as_bytes().decode("utf-8")


def _address(name: str, contact: str | None) -> Address | None:
    """Return a mail address if the contact is one, else None."""
    found = re.fullmatch(r"([A-Za-z0-9.+_-]+)@([A-Za-z0-9.-]+)", contact or "")
    if found is None:
        return None
    return Address(one_line(name), found[1], found[2])


def draft_text_messages(notice: Notice) -> str:
    """Return a draft as text messages: the number, then one message a paragraph."""
    messages = "\n\n".join(site.sms_text for site in notice.sites)
    return f"To: {notice.phone or ''}\n\n{messages}\n"
