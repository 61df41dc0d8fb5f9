"""The web page as an application: routes, headers and static files. It reads; nothing here writes."""

import hashlib
import json
from dataclasses import asdict
from http import HTTPStatus
from importlib import resources
from typing import Any, Literal

from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse
from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException as StarletteHTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from daemon import words
from daemon.clock import Clock, SystemClock
from daemon.history_reader import HistoryReader
from daemon.page import views
from daemon.page.source import Source
from daemon.plantfile.result import Plant
from daemon.record import Record
from daemon.sqlite import StoreError

REFRESH_S = 5.0
RANGES = (7, 30, 90, 365)
Days = Literal["7", "30", "90", "365"]
YEAR_S = 365 * 86400

VENDORED = {
    # uPlot 1.6.31 out of the wheel youplot 1.0.0; the hashes are those of the files in the
    # package that uPlot's author publishes.
    "uplot.iife.min.js": "2d27e8ad3d228164525ce213f9dc716f39b4e3aee0cc773fb3491c96cf4921a2",
    "uplot.min.css": "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
}
TYPES = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
HEADERS = {
    "Content-Security-Policy": "default-src 'self'; base-uri 'none'; form-action 'none';"
    " frame-ancestors 'none'; object-src 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


class WrongFile(Exception):
    """A file of an installed package is not the one that was examined."""


class _Headers:
    """Adds the security headers to every answer, and forbids caching where nothing else is said."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await self._app(scope, receive, with_headers if scope["type"] == "http" else send)


def static_files() -> dict[str, bytes]:
    """Every static file by name; raises WrongFile when the chart library is another one."""
    own = resources.files("daemon.page") / "static"
    files = {entry.name: entry.read_bytes() for entry in own.iterdir() if entry.is_file()}
    # Read by path, without importing the wheel's code.
    vendor = resources.files("youplot") / "vendor"
    for name, wanted in VENDORED.items():
        files[name] = (vendor / name).read_bytes()
        found = hashlib.sha256(files[name]).hexdigest()
        if found != wanted:
            raise WrongFile(
                f"{vendor / name}: SHA-256 is {found}, expected {wanted}; install the pinned"
                f" youplot==1.0.0 again"
            )
    return files


def create_app(
    plant: Plant,
    record: Record,
    history: HistoryReader,
    *,
    clock: Clock | None = None,
    refresh_s: float = REFRESH_S,
) -> FastAPI:
    """The application that shows `plant`.

    clock : gives plant time; the gateway's own by default.
    refresh_s : how often an open page asks for news. [s]
    """
    if not refresh_s > 0:
        raise ValueError(f"refresh_s must be above 0, got {refresh_s!r}")
    plant_clock = clock or SystemClock()
    source = Source(plant, record, history)
    files = static_files()
    digests = {name: hashlib.sha256(content).hexdigest()[:16] for name, content in files.items()}
    pages = Environment(
        loader=PackageLoader("daemon.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    pages.globals |= {
        "asset": lambda name: f"/static/{name}?v={digests[name]}",
        "read_only": views.READ_ONLY,
        "refresh_ms": round(1000 * refresh_s),
        "quantities": words.QUANTITIES,
        "ranges": RANGES,
        "view": None,
    }
    # No generated documentation: its pages load scripts from elsewhere.
    app = FastAPI(title="brinelark", docs_url=None, redoc_url=None, openapi_url=None)
    app.add_middleware(GZipMiddleware, minimum_size=500)
    app.add_middleware(_Headers)

    def now() -> float:
        return plant_clock.now().timestamp()

    def html(name: str, status: int = 200, **values: Any) -> HTMLResponse:
        return HTMLResponse(pages.get_template(name).render(**values), status_code=status)

    def known(train_id: str) -> str:
        if train_id not in [train.id for train in plant.trains]:
            names = ", ".join(train.id for train in plant.trains)
            raise HTTPException(404, f"There is no train {train_id!r} here. Trains: {names}.")
        return train_id

    @app.get("/", response_class=HTMLResponse)
    def overview_page() -> HTMLResponse:
        view = views.overview(plant, source, now())
        return html("overview.html", view=view, version=_version(view))

    @app.get("/train/{train_id}", response_class=HTMLResponse)
    def train_page(train_id: str, days: Days = "30") -> HTMLResponse:
        at = now()
        view = views.train_page(plant, source, known(train_id), at)
        trends = views.train_trends(plant, source, train_id, int(days), at)
        return html("train.html", view=view, trends=trends, version=_version(view))

    @app.get("/api/overview")
    def overview_json() -> JSONResponse:
        return _json(views.overview(plant, source, now()))

    @app.get("/api/train/{train_id}")
    def train_json(train_id: str) -> JSONResponse:
        return _json(views.train_page(plant, source, known(train_id), now()))

    @app.get("/api/train/{train_id}/trends")
    def trends_json(train_id: str, days: Days = "30") -> JSONResponse:
        return JSONResponse(
            asdict(views.train_trends(plant, source, known(train_id), int(days), now()))
        )

    @app.get("/static/{name}")
    def static(name: str, v: str = "") -> Response:
        if name not in files:
            raise HTTPException(404, f"There is no file {name!r}.")
        # Only the address with the right hash may be kept: it changes with the file.
        keep = f"public, max-age={YEAR_S}, immutable" if v == digests[name] else "no-cache"
        kind = TYPES[name.rpartition(".")[2]]
        return Response(files[name], media_type=kind, headers={"Cache-Control": keep})

    def problem(request: Request, status: int, detail: str) -> Response:
        title = {404: "Not found", 422: "Not understood", 503: "Store cannot be read"}.get(
            status, HTTPStatus(status).phrase
        )
        if request.url.path.startswith("/api/"):
            return JSONResponse({"error": detail}, status_code=status)
        return html("error.html", status=status, title=title, detail=detail)

    @app.exception_handler(StarletteHTTPException)
    def http_problem(request: Request, error: StarletteHTTPException) -> Response:
        detail = error.detail
        if error.status_code == 404 and detail == HTTPStatus.NOT_FOUND.phrase:
            detail = f"There is no page {request.url.path!r} here."
        return problem(request, error.status_code, detail)

    @app.exception_handler(RequestValidationError)
    def wrong_request(request: Request, error: RequestValidationError) -> Response:
        said = "; ".join(f"{e['loc'][-1]}: {e['input']!r} is not possible" for e in error.errors())
        days = ", ".join(str(d) for d in RANGES)
        return problem(request, 422, f"{said}. Days may be {days}.")

    @app.exception_handler(StoreError)
    def store_problem(request: Request, error: StoreError) -> Response:
        # The text names the file and what would help.
        return problem(request, 503, str(error))

    return app


def _version(view: views.Overview | views.TrainPage) -> str:
    """Changes when the page would look different; ages and the clock do not count."""
    text = json.dumps(_without_time(asdict(view)), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _without_time(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_time(v) for k, v in value.items() if k not in _PASSING}
    return [_without_time(v) for v in value] if isinstance(value, (list, tuple)) else value


_PASSING = frozenset({"now", "now_iso", "now_text", "age", "reading_age"})


def _json(view: views.Overview | views.TrainPage) -> JSONResponse:
    return JSONResponse({"version": _version(view), **asdict(view)})
