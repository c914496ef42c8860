"""The web application: documents, charts, live events, the way in and out; the interface for programs beside them."""

import asyncio
import hashlib
from collections.abc import AsyncIterator, Callable, Mapping
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from ullage.adapters.errors import ConfigError, UllageError
from ullage.daemon.chart.batch_spans import BatchSpan
from ullage.daemon.chart.style import chart_css, palette_css
from ullage.daemon.chart.svg import tag
from ullage.daemon.chart.units import Units, units_named
from ullage.daemon.exporting import stored_rows
from ullage.daemon.page import api, asking, shell
from ullage.daemon.page.cards import Reader
from ullage.daemon.page.cellar import Cellar
from ullage.daemon.page.charts import Asked, Charts, both_layouts, layout_named
from ullage.daemon.page.export import log_pieces
from ullage.daemon.page.guard import PICTURE_POLICY, Guard, Names
from ullage.daemon.page.live import MOST_PAGES, Live
from ullage.daemon.page.tokens import COOKIE, LASTS_S, Keeper
from ullage.daemon.page_settings import PageSettings

_HERE = Path(__file__).parent
_YEAR_S = 365 * 86_400
ICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><rect x="7" y="3" width="18" height="26" rx="5" '
    'fill="#0a5a78"/><rect x="10" y="6" width="12" height="7" rx="2" fill="#fbfaf6"/></svg>'
)
"""A vessel and the space above its beer."""


class PageApp:
    """Everything that answers requests.

    Parameters
    ----------
    cellar
        What the page knows and may do.
    settings
        Who may come, under which names, and whether they may act.
    token
        What `settings.token()` returned.
    look
        What a demonstration has otherwise.
    """

    def __init__(
        self, cellar: Cellar, settings: PageSettings, token: str | None, look: shell.Look | None = None
    ) -> None:
        self.cellar = cellar
        self.look = look or shell.Look()
        self.settings = settings
        self.keeper = Keeper(token)
        self.charts = Charts(cellar)
        self.live = Live(self._look, cellar.now_s)
        self.guard = Guard(
            app=self._starlette(),
            names=Names.of(settings),
            keeper=self.keeper,
            clock=cellar.clock,
            read_only=settings.read_only,
        )

    def _starlette(self) -> Starlette:
        return Starlette(
            routes=[
                Route("/", self._handler(self._cellar_page), methods=["GET"]),
                Route("/events", self._events, methods=["GET"]),
                Route("/vessels/{vessel}/chart", self._handler(self._chart), methods=["GET"]),
                Route("/vessels/{vessel}/chart.svg", self._handler(self._chart_picture), methods=["GET"]),
                Route("/history", self._handler(self._history), methods=["GET"]),
                Route("/batch", self._handler(self._batch), methods=["GET"]),
                Route("/compare", self._handler(self._compare), methods=["GET"]),
                Route("/export/{vessel}.csv", self._handler(self._export), methods=["GET"]),
                Route("/preferences", self._preferences, methods=["POST"]),
                Route("/login", self._login, methods=["GET", "POST"]),
                Route("/logout", self._logout, methods=["POST"]),
                Route(
                    "/static/page.css",
                    _static(f"{palette_css()}{chart_css_bare()}{_read('page.css')}", "text/css"),
                    methods=["GET"],
                ),
                Route("/static/page.js", _static(_read("page.js"), "text/javascript"), methods=["GET"]),
                Route("/static/icon.svg", _static(ICON, "image/svg+xml"), methods=["GET"]),
                *api.routes(self.cellar, self._done),
            ],
            exception_handlers={404: _not_there, 405: _wrong_way, 500: _broken},
        )

    def _handler(self, look: Callable[[Request], Response]) -> api.Handler:
        async def handler(request: Request) -> Response:
            try:
                return await run_in_threadpool(look, request)
            except KeyError:
                return await _not_there(request, KeyError())
            except UllageError as error:
                return api.refusal(error, request)

        return handler

    def _done(self) -> None:
        """Show at once what has just been done."""
        self.charts.forget()
        self.live.wake()

    # -- documents -------------------------------------------------------------------------------------------------

    def _reader(self, units: Units, *, now_s: float | None = None, live: bool = False) -> Reader:
        return Reader(
            units=units,
            zone=self.cellar.zone,
            now_s=self.cellar.now_s() if now_s is None else now_s,
            may_act=not self.settings.read_only,
            live=live,
        )

    def _look(self, wanted: frozenset[Units]) -> Mapping[Units, Mapping[str, str]]:
        now_s = self.cellar.now_s()  # first: readings are not older than they were when they were looked up
        statuses = self.cellar.statuses()
        return {
            units: shell.parts(self.cellar, statuses, self._reader(units, now_s=now_s, live=True)).html
            for units in wanted
        }

    def _cellar_page(self, request: Request) -> Response:
        reader = self._reader(asking.units_of(request))
        changing = shell.parts(self.cellar, self.cellar.statuses(), reader)
        page = shell.cellar_page(self.cellar, changing, reader, may_leave=self.keeper.asks, look=self.look)
        return HTMLResponse(page)

    def _chart_asked(self, request: Request) -> Asked:
        query = request.query_params
        return Asked(
            vessel=request.path_params["vessel"],
            layout=layout_named(query.get("layout", "")),
            span=query.get("range", "batch"),
            start_s=asking.moment(query.get("from"), "from"),
            end_s=asking.moment(query.get("to"), "to"),
            units=asking.units_of(request),
        )

    def _chart(self, request: Request) -> Response:
        drawn = self.charts.draw(self._chart_asked(request))
        return JSONResponse({"svg": drawn.svg, "marks": drawn.marks})

    def _chart_picture(self, request: Request) -> Response:
        asked = self._chart_asked(request)
        theme = request.query_params.get("theme", "auto")
        if theme not in ("auto", "light", "dark"):
            raise ConfigError("theme", "is auto, light or dark")
        drawn = self.charts.draw(
            Asked(
                vessel=asked.vessel,
                layout=asked.layout,
                span=asked.span,
                start_s=asked.start_s,
                end_s=asked.end_s,
                units=asked.units,
                theme=theme,  # type: ignore[arg-type]
            )
        )
        return Response(
            drawn.svg, media_type="image/svg+xml", headers={"content-security-policy": PICTURE_POLICY}
        )

    def _spans(self, vessel: str = "") -> tuple[BatchSpan, ...]:
        names = [vessel] if vessel else self.cellar.names()
        found = [span for name in names for span in self.cellar.lookback.batches(name)]
        return tuple(sorted(found, key=lambda span: -span.start_s))

    def _span(self, key: str | None) -> BatchSpan:
        """Return the batch that `vessel/key` names.

        Raises
        ------
        ConfigError
            If there is none.
        """
        vessel, _, wanted = (key or "").rpartition("/")
        if vessel in self.cellar.vessels:
            for span in self.cellar.lookback.batches(vessel):
                if span.key == wanted:
                    return span
        raise ConfigError("batch", "there is none of that name", "choose one from the list of batches")

    def _history(self, request: Request) -> Response:
        chosen = request.query_params.get("vessel", "")
        chosen = chosen if chosen in self.cellar.vessels else ""
        reader = self._reader(asking.units_of(request))
        page = shell.history_page(
            self._spans(chosen), self.cellar.names(), chosen, reader, may_leave=self.keeper.asks
        )
        return HTMLResponse(page)

    def _batch(self, request: Request) -> Response:
        span, units = self._span(request.query_params.get("of")), asking.units_of(request)
        drawn = self.charts.of_batch(span, both_layouts(), units)
        below = [f'<ol class="marks">{drawn[0].marks}</ol>'] if drawn[0].marks else []
        title = f"{span.vessel}: {span.name}"
        page = shell.chart_page(
            title, [one.svg for one in drawn], below, self._reader(units), may_leave=self.keeper.asks
        )
        return HTMLResponse(page)

    def _compare(self, request: Request) -> Response:
        query, units = request.query_params, asking.units_of(request)
        first, second = self._span(query.get("a")), self._span(query.get("b"))
        charts = self.charts.comparison(first, second, both_layouts(), units)
        title = shell.comparison_title(first, second)
        note = tag("p", "Both counted from pitching: the first in full, the second dashed.", class_="soft")
        page = shell.chart_page(title, charts, [note], self._reader(units), may_leave=self.keeper.asks)
        return HTMLResponse(page)

    def _export(self, request: Request) -> Response:
        name = request.path_params["vessel"]
        if name not in self.cellar.vessels:
            raise KeyError(name)
        start_s = asking.moment(request.query_params.get("from"), "from")
        end_s = asking.moment(request.query_params.get("to"), "to")
        rows = stored_rows(self.cellar.store, name, start_s, end_s)
        safe = "".join(c if c.isascii() and c.isalnum() else "-" for c in name)
        headers = {"content-disposition": f'attachment; filename="{safe}.csv"'}
        return StreamingResponse(log_pieces(rows), media_type="text/csv; charset=utf-8", headers=headers)

    # -- live ------------------------------------------------------------------------------------------------------

    async def _events(self, request: Request) -> Response:
        if self.live.count >= MOST_PAGES:
            return JSONResponse({"error": "too many pages are open"}, 503)
        headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
        events: AsyncIterator[str] = self.live.events(asking.units_of(request))
        return StreamingResponse(events, media_type="text/event-stream", headers=headers)

    # -- in, out, units --------------------------------------------------------------------------------------------

    async def _login(self, request: Request) -> Response:
        if not self.keeper.asks or request.scope["state"]["inside"]:
            return RedirectResponse("/", 303)
        if request.method == "GET":
            return HTMLResponse(shell.login_page())
        clock = self.cellar.clock
        address = request.client.host if request.client is not None else ""
        wait_s = self.keeper.wait_s(address, clock.monotonic_s())
        if wait_s > 0:
            page = shell.login_page("Too many wrong tokens. Wait a minute.")
            return HTMLResponse(page, 429, headers={"retry-after": str(int(wait_s) + 1)})
        try:
            given = asking.text_field(await asking.fields(request), "token")
        except UllageError:
            given = ""
        if not self.keeper.is_token(given):
            self.keeper.failed(address, clock.monotonic_s())
            await asyncio.sleep(0.3)
            return HTMLResponse(shell.login_page("That is not the token."), 401)
        answer = RedirectResponse("/", 303)
        secure = request.url.scheme == "https"
        answer.set_cookie(
            COOKIE,
            self.keeper.cookie(clock.wall_s()),
            max_age=LASTS_S,
            httponly=True,
            samesite="strict",
            secure=secure,
        )
        return answer

    async def _logout(self, _request: Request) -> Response:
        answer = RedirectResponse("/login" if self.keeper.asks else "/", 303)
        answer.delete_cookie(COOKIE, httponly=True, samesite="strict")
        return answer

    async def _preferences(self, request: Request) -> Response:
        try:
            given = await asking.fields(request)
            temperature, pressure = (asking.text_field(given, name) for name in ("temperature", "pressure"))
            units_named(temperature, pressure)
        except (UllageError, ValueError):
            return JSONResponse({"error": "units are C or F, and bar, psi or kPa"}, 400)
        answer = RedirectResponse("/", 303)
        value = f"{temperature}.{pressure}"
        answer.set_cookie(asking.UNITS_COOKIE, value, max_age=_YEAR_S, httponly=True, samesite="strict")
        return answer


def chart_css_bare() -> str:
    """Return the rules of charts without the palette."""
    text = chart_css("auto")
    return text[text.index(".chart{") :]


def _read(name: str) -> str:
    return (_HERE / name).read_text(encoding="utf-8")


def _static(text: str, kind: str) -> api.Handler:
    """Serve a file that changes only with the program; a browser asks whether it has."""
    body, mark = text.encode(), f'"{hashlib.blake2b(text.encode(), digest_size=8).hexdigest()}"'
    headers = {"etag": mark, "cache-control": "no-cache"}

    async def handler(request: Request) -> Response:
        if request.headers.get("if-none-match") == mark:
            return Response(status_code=304, headers=headers)
        return Response(body, media_type=kind, headers=headers)

    return handler


async def _not_there(request: Request, _error: Exception) -> Response:
    return _said(request, 404, "There is nothing here.")


async def _wrong_way(request: Request, _error: Exception) -> Response:
    return _said(request, 405, "This can't be done that way.")


async def _broken(request: Request, _error: Exception) -> Response:
    return _said(request, 500, "Something went wrong; the daemon's log says what.")


def _said(request: Request, status: int, text: str) -> Response:
    if "text/html" in request.headers.get("accept", ""):
        return HTMLResponse(shell.message_page(text.rstrip("."), text), status)
    return JSONResponse({"error": text}, status)
