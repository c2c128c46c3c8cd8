"""Refreeze notices: what each client should hear about slippery hours, drafted in plain words.

Answers the account manager at the desk: which surfaces of whose sites can freeze, between which
local hours, how likely, what the crew will do and what the client should. Drafts only; nobody is
written to from here. No notice promises safety, and none uses a word of the trade.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from textwrap import fill
from zoneinfo import ZoneInfo

from stormplan.events.hazards import SNOW, Hazard
from stormplan.planning.plan import ClientPlan, Plan, SitePlan, SurfacePlan
from stormplan.treatment.records import Action, Treatment
from stormplan.units import Speaker
from stormplan.words import templating
from stormplan.words.formatting import Words, capital, listed

WIDTH = 76  # characters of a line of mail
SHORT = 159  # characters of a text message in one piece, less one
DRAFT = "DRAFT, not sent. Read it, change it, then send it yourself."

# Plain words for what comes and for what is asked of people: common practice, no source. The hints
# on where ice hides: a state risk-management tip for property users, 2015.
COMING: Mapping[Hazard, str] = {
    Hazard.FROST: "frost is possible",
    Hazard.REFREEZE: "ice is possible where wet spots freeze",
    Hazard.SLEET: "ice pellets are possible",
    Hazard.FREEZING_RAIN: "freezing rain and ice are possible",
} | dict.fromkeys(SNOW, "snow is possible")
DOING: Mapping[Action, str] = {
    Action.PRETREAT: "we plan to spray brine before it starts",
    Action.SOLIDS: "we plan to put salt down when it starts",
    Action.PLOW: "we plan to clear it and put sand down, without salt",
    Action.HOLD: "we are watching it and decide again later",
    Action.NOTHING: "nothing is planned",
}
ASKED = (
    "Use the cleared routes, walk slowly, and look before you step or drive: ice can be there when"
    " nothing has fallen.",
    "Look hardest at dark, wet-looking pavement, shaded spots, and low spots near melting piles.",
    "Put mats at the doors, and tell us at once about a slick spot, a leaking downspout or water"
    " running across a walk.",
)
CLOSING = "Treated pavement can still be slippery. Forecasts change; so can this notice."


@dataclass(frozen=True)
class Line:
    """One stretch of time on some surfaces of a site, in words."""

    surfaces: str
    when: str
    coming: str
    likely: str
    doing: str
    start: datetime


@dataclass(frozen=True)
class Notice:
    """One client's draft."""

    key: str
    client: str
    contact: str | None
    tell: str
    subject: str
    sites: tuple[tuple[str, tuple[Line, ...]], ...]
    short: str
    text: str


def notices(plan: Plan) -> tuple[Notice, ...]:
    """Draft a notice for every client with something to hear.

    Parameters
    ----------
    plan : Plan
        The record [-].

    Returns
    -------
    tuple of Notice
        In the order of the sites file; clients whose sites face nothing have none.
    """
    drafted = (_notice(client, plan) for client in plan.clients)
    return tuple(notice for notice in drafted if notice is not None)


def drafts(plan: Plan) -> dict[str, str]:
    """Write every draft as text and as a mail: contents by file name.

    Parameters
    ----------
    plan : Plan
        The record [-].

    Returns
    -------
    dict of str to str
        ``notices/CLIENT.txt`` and ``notices/CLIENT.eml``.
    """
    files: dict[str, str] = {}
    for notice in notices(plan):
        name = _file_name(notice.key, files)
        files[f"notices/{name}.txt"] = notice.text
        files[f"notices/{name}.eml"] = mail(notice, plan)
    return files


def _file_name(key: str, taken: Mapping[str, str]) -> str:
    """Turn a key into a file name that stays in its folder and is nobody else's."""
    plain = re.sub(r"[^a-z0-9_-]+", "-", key.casefold()).strip("-")[:40] or "client"
    name, number = plain, 2
    while f"notices/{name}.txt" in taken:
        name, number = f"{plain}-{number}", number + 1
    return name


def html(plan: Plan) -> str:
    """Render all drafts as one page."""
    words = Words(Speaker(plan.units), ZoneInfo(plan.timezone))
    return templating.render(
        "notices.html",
        company=plan.company,
        made=words.full(plan.made_at),
        notices=notices(plan),
        asked=ASKED,
        closing=CLOSING,
        draft=DRAFT,
    )


# -- what is said ---------------------------------------------------------------------------------


def _notice(client: ClientPlan, plan: Plan) -> Notice | None:
    say = Speaker(plan.units)
    theirs = [site for site in plan.sites if site.key in client.sites]
    told = tuple((site.name, _lines(site, say)) for site in theirs)
    told = tuple((name, lines) for name, lines in told if lines)
    if not told:
        return None
    first = min((line for _, lines in told for line in lines), key=lambda line: line.start)
    names = listed([name for name, _ in told], at_most=3)
    subject = one_line(f"{capital(first.coming)} {_dash(first.when)}: {names}")
    return Notice(
        key=client.key,
        client=one_line(client.name),
        contact=client.contact,
        tell=client.tell,
        subject=subject,
        sites=told,
        short=_short(first, names, one_line(plan.company)),
        text=_text(client, told, plan, subject),
    )


def _lines(site: SitePlan, say: Speaker) -> tuple[Line, ...]:
    """Tell a site's slippery hours once for surfaces that share them, in order of time."""
    words = Words(say, ZoneInfo(site.timezone))
    alike: dict[tuple[datetime, datetime, str, str, str], list[str]] = {}
    for surface in site.surfaces:
        for key in _stretches(surface):
            alike.setdefault(key, []).append(surface.name)
    return tuple(
        Line(
            surfaces=one_line(listed(list(dict.fromkeys(names)))),
            when=words.span(start, end),
            coming=coming,
            likely=likely,
            doing=doing,
            start=start,
        )
        for (start, end, coming, likely, doing), names in sorted(alike.items())
    )


def _stretches(surface: SurfacePlan) -> Iterable[tuple[datetime, datetime, str, str, str]]:
    """Name each slippery stretch: from, to, what, how likely, what we do."""
    for item in surface.treatments:
        event = item.event
        if event is None:
            continue
        chance = _likely(event.probability)
        yield event.start, event.end, COMING[event.hazard], chance, _doing(item)
    for one in surface.refreeze:
        if one.water == "what the storm leaves":
            coming = "ice is possible where what is left melts and freezes again"
            looks = "we plan to look, and to treat what is slick"
            yield one.start, one.end, coming, _likely(one.probability), looks


def _doing(item: Treatment) -> str:
    later = {one.kind for one in item.later}
    text = DOING[item.action]
    if "plow" in later:
        text += ", and to clear snow as it piles up"
    return text


def _likely(probability: float) -> str:
    """Say a chance [-] the way people count: in tens."""
    tens = min(max(round(10 * probability), 1), 9)
    return f"about {tens} chances in 10"


def _text(
    client: ClientPlan, told: tuple[tuple[str, tuple[Line, ...]], ...], plan: Plan, subject: str
) -> str:
    """Write the notice out, one paragraph a site."""
    words = Words(Speaker(plan.units), ZoneInfo(plan.timezone))
    out = [DRAFT, "", f"Subject: {subject}", "", f"To {one_line(client.name)}", ""]
    for name, lines in told:
        out.append(one_line(name))
        for line in lines:
            said = f"{line.when}, {line.surfaces}: {line.coming}, {line.likely}; {line.doing}."
            out.append(fill(said, WIDTH, initial_indent="- ", subsequent_indent="  "))
        out.append("")
    out.append("Please:")
    out += [fill(line, WIDTH, initial_indent="- ", subsequent_indent="  ") for line in ASKED]
    out += ["", CLOSING, "", one_line(plan.company), f"as of {words.full(plan.made_at)}", ""]
    return "\n".join(out)


def _dash(span: str) -> str:
    """Say from-to in letters that no mail header has to encode."""
    return span.replace(" – ", " to ")


def _short(first: Line, names: str, company: str) -> str:
    """Fit the notice into one text message: plain letters, no promise."""
    tail = " Treated ground can still be slippery."
    head = plain(f"{capital(first.coming)} {first.when}:") + " "
    room = SHORT - len(head) - len(tail) - 1
    where = plain(one_line(names))
    if len(where) > room:
        where = f"{where[: max(room - 3, 0)].rstrip(' ,')}..."
    text = f"{head}{where}.{tail}"
    signed = f"{text} {plain(company)}"
    return signed if len(signed) <= SHORT else text[:SHORT]


def plain(text: str) -> str:
    """Keep to letters that every telephone sends in one piece."""
    swapped = text.replace("–", "-").replace("’", "'").replace("°", " deg ")
    folded = unicodedata.normalize("NFKD", swapped).encode("ascii", "ignore").decode()
    return " ".join(folded.split())


def one_line(text: str) -> str:
    """Keep a name on its line: no control characters, no breaks."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


# -- mail -----------------------------------------------------------------------------------------


def mail(notice: Notice, plan: Plan) -> str:
    """Wrap a draft as a mail that programs open for editing, addressed where we know how.

    Parameters
    ----------
    notice : Notice
        The draft [-].
    plan : Plan
        The record it is of [-].

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
    """Make an address of a contact that is one; a web page is not."""
    found = re.fullmatch(r"([A-Za-z0-9.+_-]+)@([A-Za-z0-9.-]+)", contact or "")
    if found is None:
        return None
    return Address(one_line(name), found[1], found[2])
