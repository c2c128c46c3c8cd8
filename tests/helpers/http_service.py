"""A weather service on this machine: real HTTP, scripted answers.

``WeatherServer`` listens on a free port of 127.0.0.1. Give each path its answers in order; the last
one repeats. A path without any gives the service's own 404. Every request is kept.
"""

from __future__ import annotations

import json
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

GEO_JSON = {"Content-Type": "application/geo+json"}
PROBLEM_JSON = {"Content-Type": "application/problem+json"}
PUBLIC_SERVICE = "https://api.weather.gov"


@dataclass(frozen=True)
class ScriptedReply:
    """A scripted reply.

    ``body`` may be bytes, text, or anything JSON; ``truncate_at`` sends only so many bytes of it
    under the full Content-Length; ``reset`` drops the connection instead of answering;
    ``byte_delay_s`` is the wait between any two bytes.
    """

    body: object = b""
    status: int = 200
    headers: Mapping[str, str] = field(default_factory=lambda: GEO_JSON)
    delay_s: float = 0.0
    truncate_at: int | None = None
    reset: bool = False
    byte_delay_s: float = 0.0

    @property
    def raw(self) -> bytes:
        if isinstance(self.body, bytes):
            return self.body
        text = self.body if isinstance(self.body, str) else json.dumps(self.body)
        return text.encode()


def problem_reply(status: int, kind: str, title: str = "") -> ScriptedReply:
    """An error in the service's own form."""
    body = {"type": f"{PUBLIC_SERVICE}/problems/{kind}", "title": title, "status": status}
    return ScriptedReply(body, status, PROBLEM_JSON)


@dataclass(frozen=True)
class RecordedFiles:
    """Files of a recorded place and its grid."""

    point: str
    grid: str


#: Recorded places by forecast office; three in winter, one warm, and one (LZK) made impossible by
#: hand by its publisher.
RECORDED = {
    "RAH": RecordedFiles("point_RAH_67_53_2019.json", "gridpoint_RAH_67_53_20190123.json"),
    "FGZ": RecordedFiles("point_FGZ_35.198_-111.651.json", "gridpoint_FGZ_74_89_20240220.json"),
    "AFG": RecordedFiles(
        "point_AFG_69.519_-157.105.json", "gridpoint_AFG_368_294_nominaldate.json"
    ),
    "TAE": RecordedFiles("point_TAE_58_65_2022.json", "gridpoint_TAE_58_65_20220204.json"),
    "LZK": RecordedFiles(
        "point_LZK_34.749_-92.275.json", "gridpoint_LZK_83_73_UPSTREAM_EDITED.json"
    ),
}


@dataclass(frozen=True)
class RecordedPlace:
    """A recorded place on offer: where it is, and when its forecast was issued."""

    latitude_deg: float
    longitude_deg: float
    grid_path: str
    issued_at: datetime


@dataclass(frozen=True)
class Request:
    """One request as it arrived; header names in lower case."""

    path: str
    headers: Mapping[str, str]
    body: bytes = b""


def part_reply(content: bytes, byte_range: str | None) -> ScriptedReply:
    """A file, or the part of it that a Range header asks for (RFC 9110, section 14)."""
    headers = {"Content-Type": "application/octet-stream"}
    if byte_range is None:
        return ScriptedReply(content, 200, headers)
    first, last = byte_range.removeprefix("bytes=").split("-")
    end = min(int(last or len(content) - 1), len(content) - 1)
    headers["Content-Range"] = f"bytes {first}-{end}/{len(content)}"
    return ScriptedReply(content[int(first) : end + 1], 206, headers)


class WeatherServer:
    """The service: its address, its script, and what it was asked."""

    def __init__(self, port: int) -> None:
        self.base_url = f"http://127.0.0.1:{port}"
        self.requests: list[Request] = []
        self.files: dict[str, bytes] = {}  # by path; parts of them are given
        self._script: dict[str, list[ScriptedReply]] = {}
        self._lock = threading.Lock()

    def script(self, path: str, *answers: ScriptedReply) -> None:
        """Script a path anew."""
        with self._lock:
            self._script[path] = list(answers)

    def serve(self, path: str, body: object, **headers: str) -> None:
        """Script a path to give a body, in which the public service's address is this one's.

        Headers are named with underscores: ``Cache_Control="max-age=60"``.
        """
        text = body if isinstance(body, str) else json.dumps(body)
        named = GEO_JSON | {name.replace("_", "-"): value for name, value in headers.items()}
        self.script(path, ScriptedReply(text.replace(PUBLIC_SERVICE, self.base_url), 200, named))

    def serve_place(
        self, latitude: str, longitude: str, grid: str, body: object, **headers: str
    ) -> None:
        """Script both steps: the point of a place, and the grid (``OFFICE/x,y``) it is in."""
        where = {"properties": {"forecastGridData": f"{PUBLIC_SERVICE}/gridpoints/{grid}"}}
        self.serve(f"/points/{latitude},{longitude}", where, Cache_Control="max-age=86400")
        self.serve(f"/gridpoints/{grid}", body, **headers)

    def serve_recorded(self, samples: Path, office: str, **headers: str) -> RecordedPlace:
        """Script both steps of a recorded place, from the folder of recorded forecasts."""
        files = RECORDED[office]
        point = (samples / "nws" / files.point).read_text(encoding="utf-8")
        grid = (samples / "nws" / files.grid).read_text(encoding="utf-8")
        point_path = json.loads(point)["properties"]["@id"].removeprefix(PUBLIC_SERVICE)
        grid_path = json.loads(point)["properties"]["forecastGridData"].removeprefix(PUBLIC_SERVICE)
        self.serve(point_path, point, Cache_Control="max-age=86400")
        self.serve(grid_path, grid, **headers)
        latitude, longitude = point_path.removeprefix("/points/").split(",")
        issued_at = datetime.fromisoformat(json.loads(grid)["properties"]["updateTime"])
        return RecordedPlace(float(latitude), float(longitude), grid_path, issued_at)

    def counts(self) -> Counter[str]:
        """Number of requests by path."""
        return Counter(request.path for request in self.requests)

    def next_reply(self, request: Request) -> ScriptedReply:
        with self._lock:
            self.requests.append(request)
            script = self._script.get(request.path)
            if not script and request.path in self.files:
                return part_reply(self.files[request.path], request.headers.get("range"))
            if not script and request.path.startswith("/alerts/active?"):
                return ScriptedReply({"type": "FeatureCollection", "features": []})
            if not script:
                return problem_reply(404, "InvalidPoint", "Data Unavailable For Requested Point")
            return script.pop(0) if len(script) > 1 else script[0]


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    wbufsize = -1  # head and body in one packet: else each answer waits for an acknowledgement
    server: _Server

    def do_POST(self) -> None:
        self._answer(self.rfile.read(int(self.headers["Content-Length"])))

    def do_GET(self) -> None:
        self._answer(b"")

    def _answer(self, body: bytes) -> None:
        headers = {name.lower(): value for name, value in self.headers.items()}
        answer = self.server.weather_server.next_reply(Request(self.path, headers, body))
        time.sleep(answer.delay_s)
        if answer.reset:  # a zero linger turns close into a reset
            linger = struct.pack("ii", 1, 0)
            self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
            self.close_connection = True
            return
        raw = answer.raw
        begin = self.send_response_only if "Date" in answer.headers else self.send_response
        begin(answer.status)
        for name, value in answer.headers.items():
            self.send_header(name, value)
        if answer.status != 304:
            self.send_header("Content-Length", str(len(raw)))
        self.end_headers()
        if answer.byte_delay_s:
            self._drip(raw, answer.byte_delay_s)
        else:
            self.wfile.write(raw[: answer.truncate_at])
        self.close_connection = answer.truncate_at is not None

    def _drip(self, raw: bytes, wait_s: float) -> None:
        try:
            for at in range(len(raw)):
                self.wfile.write(raw[at : at + 1])
                self.wfile.flush()
                time.sleep(wait_s)
        except OSError:  # the client has hung up
            self.close_connection = True

    def log_message(self, *args: object) -> None:
        """Stay quiet."""


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    weather_server: WeatherServer

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that hung up (a test of timeouts) is no failure of the service."""


@contextmanager
def run_weather_host() -> Iterator[Callable[[], WeatherServer]]:
    """Run an address for as long as the block lasts; each call makes a new service of it."""
    server = _Server(("127.0.0.1", 0), _Handler)

    def open_service() -> WeatherServer:
        server.weather_server = WeatherServer(server.server_address[1])
        return server.weather_server

    open_service()
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield open_service
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@contextmanager
def run_weather_server() -> Iterator[WeatherServer]:
    """Run one service for as long as the block lasts."""
    with run_weather_host() as open_service:
        yield open_service()
