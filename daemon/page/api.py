"""The interface for programs, and what the page's own forms post to: JSON or a form in, JSON out or back to the page."""

from collections.abc import Awaitable, Callable, Mapping
from functools import partial
from importlib.metadata import version
from typing import Any

import numpy as np
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from ullage.adapters.errors import ConfigError, UllageError
from ullage.adapters.timestamps import format_rfc3339
from ullage.daemon.chart.batch import Curve
from ullage.daemon.chart.thin import thin
from ullage.daemon.page import asking
from ullage.daemon.page.cards import INSTALLATION
from ullage.daemon.page.cellar import Cellar
from ullage.daemon.page.metrics import CONTENT_TYPE, metrics_text
from ullage.daemon.page.openapi import description
from ullage.daemon.page.shell import message_page
from ullage.daemon.sentences import nearest
from ullage.daemon.status_json import status_json
from ullage.detectors.journal import STAGES, UNDO
from ullage.detectors.samples import Kind

Handler = Callable[[Request], Awaitable[Response]]
Act = Callable[[str, Mapping[str, Any], str], Mapping[str, object]]
"""Owner, fields, actor; does it and returns what became of it."""
Done = Callable[[], None]

POINTS = 1000


def routes(cellar: Cellar, done: Done) -> list[Route]:
    """Return the routes.

    Parameters
    ----------
    cellar
        What the page knows and may do.
    done
        Called after something was done, so that open pages show it.
    """
    acts = {
        "acknowledge": _acknowledge,
        "shelve": _shelve,
        "unshelve": _unshelve,
        "strike": _strike,
        "stage": _stage,
        "journal": _enter,
    }
    looks = {"readings": _readings, "journal": _journal, "batches": _batches}
    api = "/api/v1"
    found = [
        Route(f"{api}/openapi.json", _openapi, methods=["GET"]),
        Route(f"{api}/vessels", _looking(partial(_vessels, cellar)), methods=["GET"]),
        Route(f"{api}/vessels/{{vessel}}", _looking(partial(_vessel, cellar)), methods=["GET"]),
        Route("/metrics", _looking(partial(_metrics, cellar)), methods=["GET"]),
    ]
    found += [
        Route(f"{api}/vessels/{{vessel}}/{name}", _looking(partial(look, cellar)), methods=["GET"])
        for name, look in looks.items()
    ]
    found += [
        Route(
            f"{api}/vessels/{{vessel}}/{name}", _doing(cellar, partial(act, cellar), done), methods=["POST"]
        )
        for name, act in acts.items()
    ]
    return found


def refusal(error: UllageError, request: Request) -> Response:
    """Return an error as a sentence: a page for a person, JSON for a program."""
    status = 404 if isinstance(error, _NoSuch) else 400 if isinstance(error, ConfigError) else 503
    if "text/html" in request.headers.get("accept", "") and request.headers.get("x-ullage") is None:
        return Response(message_page("That did not work", str(error)), status, media_type="text/html")
    return JSONResponse({"error": str(error)}, status)


class _NoSuch(ConfigError):
    """There is no vessel of that name."""


def _looking(look: Callable[[Request], Response]) -> Handler:
    """Answer in a thread of its own: the database may take a moment."""

    async def handler(request: Request) -> Response:
        try:
            return await run_in_threadpool(look, request)
        except UllageError as error:
            return refusal(error, request)

    return handler


def _doing(cellar: Cellar, act: Act, done: Done) -> Handler:
    async def handler(request: Request) -> Response:
        try:
            owner = _owner(cellar, request)
            given = await asking.fields(request)
            client = request.client.host if request.client is not None else ""
            by = asking.text_field(given, "by", required=False)[:40]
            actor = f"{by or 'page'} {client}".strip()
            result = await run_in_threadpool(act, owner, given, actor)
        except UllageError as error:
            return refusal(error, request)
        done()
        wants_page = "text/html" in request.headers.get("accept", "")
        if wants_page and request.headers.get("x-ullage") is None:
            return RedirectResponse("/", 303)
        return JSONResponse(dict(result))

    return handler


def _owner(cellar: Cellar, request: Request) -> str:
    """Return whose alarms or journal are meant; empty for the installation itself.

    Raises
    ------
    ConfigError
        If there is no such vessel.
    """
    name = str(request.path_params["vessel"])
    if name in cellar.vessels:
        return name
    if name == INSTALLATION:
        return ""
    raise _NoSuch("vessel", f"there is no {name[:64]!r}", nearest(name, cellar.names()))


def _vessel_name(cellar: Cellar, request: Request) -> str:
    name = _owner(cellar, request)
    if not name:
        raise _NoSuch("vessel", "the installation itself has none of this")
    return name


# -- looking -----------------------------------------------------------------------------------------------------------


async def _openapi(_request: Request) -> Response:
    return JSONResponse(description(version("ullage")))


def _vessels(cellar: Cellar, _request: Request) -> Response:
    return JSONResponse(status_json(cellar.statuses(), cellar.now_s()))


def _vessel(cellar: Cellar, request: Request) -> Response:
    owner = _owner(cellar, request)
    statuses = [status for status in cellar.statuses() if status.name in ("", owner)]
    told = status_json(statuses, cellar.now_s())
    return JSONResponse(told)


def _readings(cellar: Cellar, request: Request) -> Response:
    name = _vessel_name(cellar, request)
    start_s, end_s = asking.span(request, cellar.now_s())
    try:
        points = int(request.query_params.get("points", POINTS))
    except ValueError:
        raise ConfigError("points", "must be a whole number") from None
    if not 10 <= points <= 5000:
        raise ConfigError("points", "must lie between 10 and 5000")
    curves = cellar.lookback.curves(name, start_s, end_s)
    return JSONResponse(
        {
            "vessel": name,
            "from": format_rfc3339(start_s),
            "to": format_rfc3339(end_s),
            "temperature_c": _thinned(curves[Kind.TEMPERATURE], start_s, end_s, points),
            "pressure_bar": _thinned(curves[Kind.PRESSURE], start_s, end_s, points),
        }
    )


def _thinned(curve: Curve, start_s: float, end_s: float, points: int) -> dict[str, list[float]]:
    inside = (curve.time_s >= start_s) & (curve.time_s < end_s)
    stretches = thin(curve.time_s[inside], curve.value[inside], (start_s, end_s), points, curve.gap_s)
    time_s = np.concatenate([s.time_s for s in stretches]) if stretches else np.empty(0)
    value = np.concatenate([s.value for s in stretches]) if stretches else np.empty(0)
    return {"time_s": np.round(time_s, 3).tolist(), "value": np.round(value, 5).tolist()}


def _journal(cellar: Cellar, request: Request) -> Response:
    name = _vessel_name(cellar, request)
    start_s, end_s = asking.span(request, cellar.now_s() + 60)
    entries = [
        {"entry": entry.id, "time": format_rfc3339(entry.time_s), "text": entry.text}
        for entry in cellar.store.entries(name, start_s, end_s)
    ]
    return JSONResponse({"vessel": name, "entries": entries})


def _batches(cellar: Cellar, request: Request) -> Response:
    name = _vessel_name(cellar, request)
    found = [
        {
            "key": span.key,
            "name": span.name,
            "began": format_rfc3339(span.start_s),
            "ended": None if span.end_s is None else format_rfc3339(span.end_s),
        }
        for span in cellar.lookback.batches(name)
    ]
    return JSONResponse({"vessel": name, "batches": found})


def _metrics(cellar: Cellar, _request: Request) -> Response:
    return PlainTextResponse(metrics_text(cellar, cellar.statuses()), headers={"content-type": CONTENT_TYPE})


# -- doing -------------------------------------------------------------------------------------------------------------


def _acknowledge(cellar: Cellar, owner: str, given: Mapping[str, Any], actor: str) -> Mapping[str, object]:
    condition = asking.text_field(given, "condition", required=False)
    return {"changed": cellar.acknowledge(owner, condition or None, actor)}


def _shelve(cellar: Cellar, owner: str, given: Mapping[str, Any], actor: str) -> Mapping[str, object]:
    hours = asking.number_field(given, "hours")
    assert hours is not None
    until_s = cellar.shelve(owner, asking.text_field(given, "condition"), hours, actor)
    return {"until": format_rfc3339(until_s)}


def _unshelve(cellar: Cellar, owner: str, given: Mapping[str, Any], actor: str) -> Mapping[str, object]:
    return {"changed": int(cellar.unshelve(owner, asking.text_field(given, "condition"), actor))}


def _strike(cellar: Cellar, owner: str, given: Mapping[str, Any], _actor: str) -> Mapping[str, object]:
    _only_a_vessel(owner)
    entry = asking.number_field(given, "entry")
    assert entry is not None
    cellar.strike(owner, int(entry))
    return {"changed": 1}


def _stage(cellar: Cellar, owner: str, given: Mapping[str, Any], _actor: str) -> Mapping[str, object]:
    _only_a_vessel(owner)
    stage = asking.text_field(given, "stage").lower()
    if stage not in (*STAGES, UNDO):
        raise ConfigError("stage", f"{stage[:40]!r} is none", nearest(stage, STAGES))
    return {"entry": cellar.enter(owner, f"stage {stage}", None)}


def _enter(cellar: Cellar, owner: str, given: Mapping[str, Any], _actor: str) -> Mapping[str, object]:
    _only_a_vessel(owner)
    prefix = asking.text_field(given, "prefix", required=False)
    if prefix:
        number = asking.number_field(given, "number")
        text = f"{prefix} {number:g}" if prefix != "gravity" else f"{prefix} {number:.4f}"
    else:
        text = asking.text_field(given, "text")
    return {"entry": cellar.enter(owner, text, _entry_time(cellar, given))}


def _entry_time(cellar: Cellar, given: Mapping[str, Any]) -> float | None:
    minutes = asking.number_field(given, "minutes_ago", required=False)
    if minutes:
        if minutes < 0:
            raise ConfigError("minutes_ago", "must not be below 0")
        return cellar.now_s() - minutes * 60
    time = given.get("time")
    if time is None:
        return None
    if isinstance(time, bool) or not isinstance(time, (str, int, float)):
        raise ConfigError("time", "must be RFC 3339 or Unix seconds")
    return asking.moment(str(time), "time")


def _only_a_vessel(owner: str) -> None:
    if not owner:
        raise _NoSuch("vessel", "the installation itself has no journal")
