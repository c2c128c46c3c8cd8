"""Refreeze notices: what each client should hear about slippery hours, drafted in plain words.

For the account manager: which surfaces of whose sites can freeze, between which
local hours, how likely, what the crew will do and what the client should. Drafts only; nobody is
written to from here. No notice promises safety, and none uses a word of the trade.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from textwrap import fill
from zoneinfo import ZoneInfo

from stormplan.events.hazards import SNOW_HAZARDS, Hazard
from stormplan.planning.plan import ClientPlan, Plan, SitePlan, SurfacePlan
from stormplan.treatment.records import Action, Treatment
from stormplan.units import UnitFormatter
from stormplan.words import templating
from stormplan.words.formatting import ReportFormat, capitalize_first, join_names

MAIL_WIDTH = 76  # characters of a line of mail
SMS_MAX_CHARS = 159  # characters of a text message in one piece, less one
DRAFT_NOTE = "DRAFT, not sent. Read it, change it, then send it yourself."

# Plain words for what comes and for what is asked of people: common practice, no source. The hints
# on where ice hides: a state risk-management tip for property users, 2015.
HAZARD_PHRASES: Mapping[Hazard, str] = {
    Hazard.FROST: "frost is possible",
    Hazard.REFREEZE: "ice is possible where wet spots freeze",
    Hazard.SLEET: "ice pellets are possible",
    Hazard.FREEZING_RAIN: "freezing rain and ice are possible",
} | dict.fromkeys(SNOW_HAZARDS, "snow is possible")
HAZARD_NOUNS: Mapping[Hazard, str] = {
    Hazard.FROST: "frost",
    Hazard.REFREEZE: "ice",
    Hazard.SLEET: "ice pellets",
    Hazard.FREEZING_RAIN: "freezing rain",
} | dict.fromkeys(SNOW_HAZARDS, "snow")
ACTION_PHRASES: Mapping[Action, str] = {
    Action.PRETREAT: "we plan to spray brine before it starts",
    Action.POST_TREAT: "we plan to spray what is left",
    Action.SALT: "we plan to put salt down",
    Action.SAND: "we plan to put sand down, without salt",
    Action.PLOW: "we plan to clear it",
    Action.INSPECT: "we plan to look, and to treat what is slick",
    Action.WAIT: "we are watching it and decide again later",
    Action.UNKNOWN: "we look at the site",
    Action.NOTHING: "nothing is planned",
}
CLIENT_ADVICE = (
    "Use the cleared routes, walk slowly, and look before you step or drive: ice can be there when"
    " nothing has fallen.",
    "Look hardest at dark, wet-looking pavement, shaded spots, and low spots near melting piles.",
    "Put mats at the doors, and tell us at once about a slick spot, a leaking downspout or water"
    " running across a walk.",
)
CLOSING_NOTE = "Treated pavement can still be slippery. Forecasts change; so can this notice."


@dataclass(frozen=True)
class NoticeLine:
    """A period of slippery hours on some surfaces of a site, as text."""

    surfaces: str
    when: str
    hazard: str
    noun: str
    chance: str
    action: str
    start: datetime
    end: datetime


@dataclass(frozen=True)
class Notice:
    """The drafted notice of one client."""

    key: str
    client: str
    contact: str | None
    contact_by: str
    subject: str
    sites: tuple[tuple[str, tuple[NoticeLine, ...]], ...]
    sms_text: str
    text: str


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
    drafted = (_draft_notice(client, plan) for client in plan.clients)
    return tuple(notice for notice in drafted if notice is not None)


def draft_files(plan: Plan) -> dict[str, str]:
    """Write every draft as text and as a mail: contents by file name.

    Parameters
    ----------
    plan : Plan
        The record.

    Returns
    -------
    dict of str to str
        ``notices/CLIENT.txt`` and ``notices/CLIENT.eml``.
    """
    files: dict[str, str] = {}
    for notice in draft_notices(plan):
        name = _file_name(notice.key, files)
        files[f"notices/{name}.txt"] = notice.text
        files[f"notices/{name}.eml"] = draft_mail(notice, plan)
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
    return templating.render(
        "notices.html",
        company=plan.company,
        made_at=fmt.full_datetime(plan.made_at),
        notices=draft_notices(plan),
        unknown_sites=join_names(
            [site.name for site in plan.sites if site.key in plan.unknown_sites]
        ),
        advice=CLIENT_ADVICE,
        closing=CLOSING_NOTE,
        draft=DRAFT_NOTE,
    )


# -- what is said ---------------------------------------------------------------------------------


def _draft_notice(client: ClientPlan, plan: Plan) -> Notice | None:
    formatter = UnitFormatter(plan.units)
    client_sites = [site for site in plan.sites if site.key in client.sites]
    site_lines = tuple((site.name, _notice_lines(site, formatter)) for site in client_sites)
    site_lines = tuple((name, lines) for name, lines in site_lines if lines)
    if not site_lines:
        return None
    names = join_names([name for name, _ in site_lines], limit=3)
    hazard, when = _first_hazards([lines[0] for _, lines in site_lines], plan)
    subject = one_line(f"{hazard} {_spell_out_range(when)}: {names}")
    return Notice(
        key=client.key,
        client=one_line(client.name),
        contact=client.contact,
        contact_by=client.contact_by,
        subject=subject,
        sites=site_lines,
        sms_text=_sms_text(f"{hazard} {when}:", names, one_line(plan.company)),
        text=_notice_text(client, site_lines, plan, subject),
    )


def _first_hazards(firsts: Sequence[NoticeLine], plan: Plan) -> tuple[str, str]:
    """Return what comes first to the sites of a client, and the hours it spans.

    Sites that face different hazards share one subject, which then names every one of them.
    """
    first = min(firsts, key=lambda line: line.start)
    if len({(line.hazard, line.start, line.end) for line in firsts}) == 1:
        return capitalize_first(first.hazard), first.when
    nouns = list(dict.fromkeys(line.noun for line in sorted(firsts, key=lambda line: line.start)))
    fmt = ReportFormat(UnitFormatter(plan.units), ZoneInfo(plan.timezone))
    hours = fmt.time_range(first.start, max(line.end for line in firsts))
    return capitalize_first(f"{' or '.join(nouns)} is possible"), hours


def _notice_lines(site: SitePlan, formatter: UnitFormatter) -> tuple[NoticeLine, ...]:
    """Return a site's slippery periods, once for surfaces that share them, in order of time."""
    fmt = ReportFormat(formatter, ZoneInfo(site.timezone))
    surfaces_by_line: dict[tuple[datetime, datetime, str, str, str, str], list[str]] = {}
    for surface in site.surfaces:
        for key in _slippery_periods(surface):
            surfaces_by_line.setdefault(key, []).append(surface.name)
    return tuple(
        NoticeLine(
            surfaces=one_line(join_names(list(dict.fromkeys(names)))),
            when=fmt.time_range(start, end),
            hazard=coming,
            noun=noun,
            chance=likely,
            action=doing,
            start=start,
            end=end,
        )
        for (start, end, coming, noun, likely, doing), names in sorted(surfaces_by_line.items())
    )


def _slippery_periods(
    surface: SurfacePlan,
) -> Iterable[tuple[datetime, datetime, str, str, str, str]]:
    """Yield each slippery period: start, end, hazard, its noun, chance, action."""
    for item in surface.treatments:
        event = item.event
        if event is None:
            continue
        chance = _chance_phrase(event.probability)
        coming, noun = HAZARD_PHRASES[event.hazard], HAZARD_NOUNS[event.hazard]
        yield event.start, event.end, coming, noun, chance, _action_phrase(item)
    for one in surface.refreeze_periods:
        if one.water_source == "what the storm leaves":
            coming = "ice is possible where what is left melts and freezes again"
            looks = "we plan to look, and to treat what is slick"
            yield one.start, one.end, coming, "ice", _chance_phrase(one.probability), looks


def _action_phrase(item: Treatment) -> str:
    text = ACTION_PHRASES[item.action]
    if item.action is not Action.PLOW and any(visit.plow for visit in item.visits):
        text += ", and to clear snow as it piles up"
    return text


def _chance_phrase(probability: float) -> str:
    """Return a probability [-] in tenths, as text."""
    tens = min(max(round(10 * probability), 1), 9)
    return f"about {tens} chances in 10"


def _notice_text(
    client: ClientPlan,
    site_lines: tuple[tuple[str, tuple[NoticeLine, ...]], ...],
    plan: Plan,
    subject: str,
) -> str:
    """Write the notice out, one paragraph a site."""
    fmt = ReportFormat(UnitFormatter(plan.units), ZoneInfo(plan.timezone))
    out = [DRAFT_NOTE, "", f"Subject: {subject}", "", f"To {one_line(client.name)}", ""]
    for name, lines in site_lines:
        out.append(one_line(name))
        for line in lines:
            said = f"{line.when}, {line.surfaces}: {line.hazard}, {line.chance}; {line.action}."
            out.append(fill(said, MAIL_WIDTH, initial_indent="- ", subsequent_indent="  "))
        out.append("")
    out.append("Please:")
    out += [
        fill(line, MAIL_WIDTH, initial_indent="- ", subsequent_indent="  ")
        for line in CLIENT_ADVICE
    ]
    out += [
        "",
        CLOSING_NOTE,
        "",
        one_line(plan.company),
        f"as of {fmt.full_datetime(plan.made_at)}",
        "",
    ]
    return "\n".join(out)


def _spell_out_range(span: str) -> str:
    """Return a time range without characters that a mail header has to encode."""
    return span.replace(" – ", " to ")


def _sms_text(hazard: str, names: str, company: str) -> str:
    """Return the notice as one text message (at most 159 ASCII characters)."""
    tail = " Treated ground can still be slippery."
    head = ascii_text(hazard) + " "
    room = SMS_MAX_CHARS - len(head) - len(tail) - 1
    where = ascii_text(one_line(names))
    if len(where) > room:
        where = f"{where[: max(room - 3, 0)].rstrip(' ,')}..."
    text = f"{head}{where}.{tail}"
    signed = f"{text} {ascii_text(company)}"
    return signed if len(signed) <= SMS_MAX_CHARS else text[:SMS_MAX_CHARS]


def ascii_text(text: str) -> str:
    """Return the text in ASCII."""
    swapped = text.replace("–", "-").replace("’", "'").replace("°", " deg ")
    folded = unicodedata.normalize("NFKD", swapped).encode("ascii", "ignore").decode()
    return " ".join(folded.split())


def one_line(text: str) -> str:
    """Return the text on one line, without control characters."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


# -- mail -----------------------------------------------------------------------------------------


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
