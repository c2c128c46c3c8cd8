"""The pages as a web application: opens links, shows what the reader may see, takes forms."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Generic, TypeVar
from urllib.parse import parse_qsl

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from stormplan.company import sites_file
from stormplan.company.sites import Sites
from stormplan.delivery.outbox import Clock
from stormplan.errors import InputError, StormplanError
from stormplan.planning.plan import Plan
from stormplan.record.entries import Entry, Photo, parse_entry, write_entry
from stormplan.service.pipeline import read_plan
from stormplan.store.archive import Archive
from stormplan.store.people import SESSION_LASTS, PeopleLog, Person, Role
from stormplan.store.photos import keep_photo, photo_folder
from stormplan.store.record_log import RecordLog
from stormplan.store.report_folders import LATEST
from stormplan.units import UnitFormatter
from stormplan.web import notice_pages, page_values
from stormplan.web.forms import FORM_ROLES, entries_of_form, void_of_form
from stormplan.web.guard import (
    REPORT_POLICY,
    REQUESTS_A_MINUTE,
    WRONG_LINKS_A_MINUTE,
    Guard,
    RateLimit,
    csrf_token,
)
from stormplan.web.multipart import Upload, parse_multipart
from stormplan.web.work_list import work_list
from stormplan.words.entry_text import entry_text

Content = TypeVar("Content")
COOKIE = "stormplan"
#: Report, its name, and who reads it.
REPORTS = {
    "briefing": ("Briefing", frozenset(Role)),
    "mixsheet": ("Mix sheet", frozenset({Role.OWNER, Role.SHED})),
    "rounds": ("Rounds", frozenset({Role.OWNER, Role.SHED, Role.CREW})),
    "notices": ("Notices", frozenset({Role.OWNER, Role.ACCOUNT})),
}
NOTICE_ROLES = REPORTS["notices"][1]
#: Pages of the menu, what they are called, and who opens them.
MENU = (
    ("/", "Start", frozenset(Role)),
    ("/work", "Work", FORM_ROLES["done"]),
    ("/look", "Look", FORM_ROLES["inspection"] | FORM_ROLES["reading"]),
    ("/yard", "Yard", FORM_ROLES["tank"]),
    ("/say", "Said", FORM_ROLES["direction"]),
    ("/notices", "Notices", NOTICE_ROLES),
)
#: Files that pages load; the worker keeps pages for when there is no coverage.
STATIC_KINDS = {
    "pages.css": "text/css",
    "queue.js": "text/javascript",
    "worker.js": "text/javascript",
}


@dataclass(frozen=True)
class PagesSettings:
    """Where the pages read and write.

    Attributes
    ----------
    sites : Path
        Sites file.
    reports : Path
        Folder of the briefings.
    archive : Path
        The archive.
    hosts : tuple of str
        Names under which the pages are asked for; others are refused.
    requests_a_minute : int
        Of one address [-].
    """

    sites: Path
    reports: Path
    archive: Path
    hosts: tuple[str, ...] = ("127.0.0.1", "localhost", "[::1]")
    requests_a_minute: int = REQUESTS_A_MINUTE


@dataclass(frozen=True)
class _Visitor:
    """Who asks, the token of their forms, which page by name, and the form they sent."""

    person: Person
    token: str
    page: str = ""
    fields: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, Upload] = field(default_factory=dict)


class _RefusedError(Exception):
    """A request that is answered with a sentence."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status


class _FileOnce(Generic[Content]):
    """A file that is read again only when it has changed."""

    def __init__(self, read: Callable[[Path], Content]) -> None:
        self._read = read
        self._kept: tuple[tuple[object, ...], Content] | None = None

    def read(self, path: Path) -> Content:
        """Return what is in the file; errors of reading it are raised."""
        state = path.stat()
        identity = (path.resolve(), state.st_mtime_ns, state.st_size, state.st_ino)
        kept = self._kept
        if kept is None or kept[0] != identity:
            kept = self._kept = identity, self._read(path)
        return kept[1]


class _Pages:
    def __init__(self, settings: PagesSettings, clock: Clock) -> None:
        self.settings, self.clock = settings, clock
        self.wrong_links = RateLimit(WRONG_LINKS_A_MINUTE)
        self.sites_file = _FileOnce(sites_file.load_sites)
        self.plan_file = _FileOnce(read_plan)
        self.known_record: tuple[str, list[Entry]] = ("", [])
        self.templates = Environment(
            loader=PackageLoader("stormplan.web", "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    def routes(self) -> list[Route]:
        return [
            Route("/", self._answer(self.home)),
            Route("/open/{secret}", self.open_link),
            Route("/report/{name}", self._answer(self.report)),
            Route("/work", self._answer(self.work)),
            Route("/look", self._answer(self.look)),
            Route("/yard", self._answer(self.yard)),
            Route("/say", self._answer(self.say)),
            Route("/entry", self._answer(self.add_entry), methods=["POST"]),
            Route("/notices", self._answer(self.notices)),
            Route("/notices/check", self._answer(self.check_notices)),
            Route("/notices/save", self._answer(self.save_notice), methods=["POST"]),
            Route("/notices/send", self._answer(self.send_notices), methods=["POST"]),
            Route("/leave", self._answer(self.leave), methods=["POST"]),
            Route("/static/{name}", self.static),
            Route("/worker.js", self.static),  # where it lies it may keep every page
            Route("/favicon.ico", lambda _request: Response(status_code=204)),
        ]

    # -- who asks ---------------------------------------------------------------------------------

    def open_link(self, request: Request) -> Response:
        """Begin a session; the secret is out of the address from then on."""
        address = "" if request.client is None else request.client.host
        if self.wrong_links.is_over(address, count=False):
            return PlainTextResponse("too many wrong links; wait a minute", 429)
        with Archive(self.settings.archive) as archive:
            secret = request.path_params["secret"]
            session = PeopleLog(archive).start_session(secret, self.clock())
        if session is None:
            self.wrong_links.is_over(address)
            return PlainTextResponse("this link opens nothing; ask for a new one", 403)
        reply = RedirectResponse("/", 303)
        reply.set_cookie(
            COOKIE,
            session,
            max_age=int(SESSION_LASTS.total_seconds()),
            httponly=True,
            samesite="lax",
            secure=request.url.scheme == "https",
        )
        return reply

    def _visitor(self, request: Request) -> _Visitor:
        secret = request.cookies.get(COOKIE, "")
        if secret:
            with Archive(self.settings.archive) as archive:
                person = PeopleLog(archive).person_of_session(secret, self.clock())
            if person is not None:
                return _Visitor(person, csrf_token(secret))
        raise _RefusedError(403, "open your own link first; ask the owner for one")

    def _answer(
        self, page: Callable[[_Visitor], Response]
    ) -> Callable[[Request], Awaitable[Response]]:
        async def answer(request: Request) -> Response:
            try:
                visitor = await run_in_threadpool(self._visitor, request)
                visitor = replace(visitor, page=request.path_params.get("name", ""))
                if request.method == "POST":
                    fields, uploads = self._form(request, visitor, await request.body())
                    visitor = replace(visitor, fields=fields, files=uploads)
                return await run_in_threadpool(page, visitor)
            except _RefusedError as refused:
                return PlainTextResponse(str(refused), refused.status)

        return answer

    def _form(
        self, request: Request, visitor: _Visitor, body: bytes
    ) -> tuple[dict[str, str], dict[str, Upload]]:
        """Return fields and files of a form of ours; one that somebody else made is refused."""
        site = request.headers.get("sec-fetch-site", "same-origin")
        kind, uploads = request.headers.get("content-type", ""), dict[str, Upload]()
        try:
            if kind.startswith("multipart/form-data"):
                fields, uploads = parse_multipart(kind, body)
            else:
                fields = dict(parse_qsl(body.decode(), keep_blank_values=True, max_num_fields=40))
        except ValueError:
            raise _RefusedError(400, "this is not a form") from None
        if site != "same-origin" or not hmac.compare_digest(
            fields.get("token", "").encode(), visitor.token.encode()
        ):
            raise _RefusedError(403, "this form is not one of ours; open the page again")
        return fields, uploads

    # -- what is shown ----------------------------------------------------------------------------

    def _page(
        self, template: str, visitor: _Visitor, status: int = 200, **values: object
    ) -> Response:
        text = self.templates.get_template(template).render(
            person=visitor.person,
            token=visitor.token,
            menu=[(path, label) for path, label, roles in MENU if visitor.person.role in roles],
            here=next(
                (path for path, _, _ in MENU if template == f"{path[1:] or 'home'}.html"), ""
            ),
            served_at=self.clock().isoformat(timespec="seconds"),
            new_key=lambda: secrets.token_hex(16),
            **values,
        )
        return HTMLResponse(text, status)

    def _sites(self) -> Sites:
        try:
            return self.sites_file.read(self.settings.sites)
        except (StormplanError, OSError):
            raise _RefusedError(503, "the sites file has errors; the owner must mend it") from None

    def _plan(self) -> Plan | None:
        with suppress(InputError, OSError):
            return self.plan_file.read(self.settings.reports / LATEST / "plan.json")
        return None

    def _record(self) -> list[Entry]:
        """Return the record; what was read before is not read again."""
        with Archive(self.settings.archive) as archive:
            log = RecordLog(archive)
            known_link, entries = self.known_record
            if log.last_link() != known_link:
                # the link first: what is added meanwhile is read the next time
                known_link = log.last_link()
                entries = [parse_entry(text, f"entry {key}") for key, text in log.documents()]
                self.known_record = known_link, entries
        return list(entries)

    def home(self, visitor: _Visitor) -> Response:
        role = visitor.person.role
        reports = [
            (name, label)
            for name, (label, readers) in REPORTS.items()
            if role in readers and (self.settings.reports / LATEST / f"{name}.html").exists()
        ]
        sites, record, plan = self._sites(), self._record(), self._plan()
        work = () if plan is None or role not in FORM_ROLES["done"] else work_list(plan, record)
        return self._page(
            "home.html",
            visitor,
            reports=reports,
            to_do=page_values.to_do(work),
            last=page_values.last_entries(record, sites, visitor.person),
        )

    def report(self, visitor: _Visitor) -> Response:
        name = visitor.page
        _, readers = REPORTS.get(name, ("", frozenset[Role]()))
        if visitor.person.role not in readers:
            raise _RefusedError(403, "this is for others")
        try:
            text = (self.settings.reports / LATEST / f"{name}.html").read_text(encoding="utf-8")
        except OSError:
            raise _RefusedError(404, "there is no briefing yet") from None
        return HTMLResponse(text, headers={"content-security-policy": REPORT_POLICY})

    def _allow(self, visitor: _Visitor, roles: frozenset[Role]) -> None:
        if visitor.person.role not in roles:
            raise _RefusedError(403, "this is for others")

    def work(self, visitor: _Visitor) -> Response:
        self._allow(visitor, FORM_ROLES["done"])
        values = page_values.work_values(self._plan(), self._record(), self._sites(), self.clock())
        return self._page("work.html", visitor, **values)

    def look(self, visitor: _Visitor) -> Response:
        self._allow(visitor, FORM_ROLES["inspection"] | FORM_ROLES["reading"])
        values = page_values.look_values(self._sites(), visitor.person.role)
        return self._page("look.html", visitor, **values)

    def yard(self, visitor: _Visitor) -> Response:
        self._allow(visitor, FORM_ROLES["tank"])
        values = page_values.yard_values(
            self._record(), self._sites(), visitor.person.role, self.clock()
        )
        return self._page("yard.html", visitor, **values)

    def say(self, visitor: _Visitor) -> Response:
        self._allow(visitor, FORM_ROLES["direction"])
        values = page_values.say_values(self._sites(), visitor.person.role)
        return self._page("say.html", visitor, **values)

    def static(self, request: Request) -> Response:
        name = request.path_params.get("name", "worker.js")
        if name not in STATIC_KINDS:
            return PlainTextResponse("not here", 404)
        text = (files("stormplan.web") / "static" / name).read_text(encoding="utf-8")
        if name == "pages.css":
            look = files("stormplan.words") / "templates" / "look.css"
            text = look.read_text(encoding="utf-8") + text
        return Response(text, media_type=STATIC_KINDS[name])

    # -- notices ----------------------------------------------------------------------------------

    def notices(self, visitor: _Visitor) -> Response:
        self._allow(visitor, NOTICE_ROLES)
        values = notice_pages.draft_values(self._sites(), self.settings.reports)
        return self._page("notices.html", visitor, **values)

    def check_notices(self, visitor: _Visitor) -> Response:
        """Show what would go out to whom; only the button there sends."""
        self._allow(visitor, NOTICE_ROLES)
        values = notice_pages.draft_values(self._sites(), self.settings.reports)
        return self._page("notices_check.html", visitor, **values)

    def save_notice(self, visitor: _Visitor) -> Response:
        self._allow(visitor, NOTICE_ROLES)
        try:
            notice_pages.save_draft(self.settings.reports, visitor.fields)
        except InputError as error:
            return self._page("refused.html", visitor, 422, sentence=str(error))
        return RedirectResponse("/notices", 303)

    def send_notices(self, visitor: _Visitor) -> Response:
        self._allow(visitor, NOTICE_ROLES)
        try:
            values = notice_pages.send_values(
                self._sites(), self.settings.reports, self.settings.archive, visitor.fields,
                visitor.person.name, self.clock,
            )  # fmt: skip
        except InputError as error:
            return self._page("refused.html", visitor, 422, sentence=str(error))
        return self._page("notices_sent.html", visitor, **values)

    # -- what is taken ----------------------------------------------------------------------------

    def add_entry(self, visitor: _Visitor) -> Response:
        """Record what a form says, once, however often it is sent."""
        fields = visitor.fields
        self._allow(visitor, FORM_ROLES.get(fields.get("form", ""), frozenset()))
        sites, now = self._sites(), self.clock()
        try:
            entries = self._entries(visitor, sites, now)
        except InputError as error:
            return self._page("refused.html", visitor, 422, sentence=str(error))
        documents = [(one.id, write_entry(one)) for one in entries]
        with Archive(self.settings.archive) as archive:
            added = RecordLog(archive).add_new(documents, now)
        formatter = UnitFormatter(sites.company.units)
        texts = [entry_text(one, formatter) for one in entries]
        back = "/work" if fields["form"] in ("done", "skipped") else "/"
        return self._page("recorded.html", visitor, texts=texts, is_new=added > 0, back=back)

    def _entries(self, visitor: _Visitor, sites: Sites, now: datetime) -> list[Entry]:
        fields, person = visitor.fields, visitor.person
        if fields["form"] == "void":
            return [void_of_form(fields, self._record(), now, person)]
        entries_of_form(fields, sites, now, person.name)  # no photo is kept of what is refused
        photo = visitor.files.get("photo")
        photos = []
        if photo is not None:
            name, sha256 = keep_photo(
                photo_folder(self.settings.archive), photo.name, photo.content
            )
            photos = [Photo(name=name, sha256=sha256)]
        return list(entries_of_form(fields, sites, now, person.name, photos))

    def leave(self, _visitor: _Visitor) -> Response:
        reply = PlainTextResponse("this phone is signed out; your link opens it again")
        reply.delete_cookie(COOKIE)
        return reply


def make_app(settings: PagesSettings, clock: Clock) -> Starlette:
    """Return the pages as an ASGI application.

    Parameters
    ----------
    settings : PagesSettings
        Where they read and write.
    clock : callable
        Gives the moment, aware UTC.

    Returns
    -------
    Starlette
    """
    return Starlette(
        routes=_Pages(settings, clock).routes(),
        middleware=[
            Middleware(Guard, rate=RateLimit(settings.requests_a_minute)),
            Middleware(TrustedHostMiddleware, allowed_hosts=list(settings.hosts)),
        ],
    )
