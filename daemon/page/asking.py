"""What a request asks for, read with care: units, moments, fields; every slip is a sentence."""

import json
import math
from collections.abc import Mapping
from typing import Any
from urllib.parse import parse_qsl

from starlette.requests import ClientDisconnect, Request

from ullage.adapters.errors import ConfigError, DataError
from ullage.adapters.timestamps import parse_rfc3339
from ullage.daemon.chart.units import Units, units_named

UNITS_COOKIE = "ullage-units"
LATEST_S = 32_503_680_000.0
"""Start of the year 3000; nothing is later."""


def units_of(request: Request) -> Units:
    """Return the reader's units: from the query, else from the cookie, else °C and bar."""
    temperature, _, pressure = request.cookies.get(UNITS_COOKIE, "C.bar").partition(".")
    query = request.query_params
    try:
        return units_named(query.get("temperature", temperature), query.get("pressure", pressure))
    except ValueError:
        return Units()


def moment(text: str | None, what: str) -> float | None:
    """Read a moment: RFC 3339 or Unix seconds.

    Raises
    ------
    ConfigError
        If it is neither, or beyond all bounds.
    """
    if text is None or text == "":
        return None
    try:
        found = float(text)
    except ValueError:
        try:
            found = parse_rfc3339(text)
        except DataError:
            hint = "write it like 2026-03-01T09:00:00Z, or as Unix seconds"
            raise ConfigError(what, f"{text[:40]!r} is no time", hint) from None
    if not math.isfinite(found) or not 0 <= found <= LATEST_S:
        raise ConfigError(what, f"{text[:40]!r} is no time that readings can have")
    return found


def span(request: Request, now_s: float) -> tuple[float, float]:
    """Return `from` and `to` of the query; a day up to now where they are left out.

    Raises
    ------
    ConfigError
        If one is no time, or they are the wrong way round.
    """
    end_s = moment(request.query_params.get("to"), "to")
    end_s = now_s if end_s is None else end_s
    start_s = moment(request.query_params.get("from"), "from")
    start_s = end_s - 86_400.0 if start_s is None else start_s
    if not start_s < end_s:
        raise ConfigError("from", "must lie before `to`")
    return start_s, end_s


async def fields(request: Request) -> Mapping[str, Any]:
    """Return the fields of a body: a JSON object, or a form.

    Raises
    ------
    ConfigError
        If it is neither.
    """
    try:
        body = await request.body()
    except ClientDisconnect:
        raise ConfigError("body", "is too long, or was cut off") from None
    if not body:
        return {}
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    try:
        if kind == "application/x-www-form-urlencoded":
            return dict(parse_qsl(body.decode(), keep_blank_values=True, max_num_fields=50))
        if kind != "application/json":
            raise ConfigError("content-type", f"{kind[:60]!r} is not taken", "send application/json")
        found = json.loads(body, parse_constant=_refuse_constant)
    except (ValueError, RecursionError):
        raise ConfigError("body", "can't be read", "send one JSON object") from None
    if not isinstance(found, dict):
        raise ConfigError("body", "must be a JSON object")
    return found


def text_field(given: Mapping[str, Any], name: str, *, required: bool = True) -> str:
    """Return a field that holds text; empty where it may be left out and is.

    Raises
    ------
    ConfigError
        If it is missing or no text.
    """
    value = given.get(name)
    if value is None and not required:
        return ""
    if not isinstance(value, str) or (required and not value.strip()):
        raise ConfigError(name, "is needed, as text")
    try:
        value.encode()
    except UnicodeEncodeError:
        raise ConfigError(name, "holds half a character") from None
    return value.strip()


def number_field(given: Mapping[str, Any], name: str, *, required: bool = True) -> float | None:
    """Return a field that holds a number, or text that is one.

    Raises
    ------
    ConfigError
        If it is missing or no finite number.
    """
    value = given.get(name)
    if (value is None or value == "") and not required:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise ConfigError(name, "is needed, as a number")
    try:
        found = float(value.replace(",", ".") if isinstance(value, str) else value)
    except (ValueError, OverflowError):
        raise ConfigError(name, "is needed, as a number") from None
    if not math.isfinite(found) or abs(found) > 1e15:
        raise ConfigError(name, "is no number that can be used")
    return found


def _refuse_constant(text: str) -> float:
    raise ValueError(text)
