"""The description of the interface for programs (OpenAPI 3.1), kept beside the handlers that it describes."""

from typing import Any

_NAME = {
    "name": "vessel",
    "in": "path",
    "required": True,
    "schema": {"type": "string", "minLength": 1, "maxLength": 64},
    "description": "a vessel's name, or `installation` for alarms about sources, database and messages",
}
_ERROR = {
    "description": "refused; the sentence says why",
    "content": {
        "application/json": {
            "schema": {
                "type": "object",
                "required": ["error"],
                "properties": {"error": {"type": "string"}},
            }
        }
    },
}
_REFUSALS = {code: _ERROR for code in ("400", "401", "403", "404", "413", "421", "429", "503")}


def description(version: str) -> dict[str, Any]:
    """Return the description."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "ullage",
            "version": version,
            "description": "How the vessels stand, and the few things to do. Pressures are gauge pressures in bar, "
            "temperatures in °C, times RFC 3339. With a token set: `Authorization: Bearer TOKEN`.",
        },
        "components": {"securitySchemes": {"token": {"type": "http", "scheme": "bearer"}}},
        "security": [{"token": []}, {}],
        "paths": {**_looking(), **_doing(), **_beside()},
    }


def _looking() -> dict[str, Any]:
    span = [
        {"name": name, "in": "query", "required": False, "schema": {"type": "string"}, "description": text}
        for name, text in (
            ("from", "RFC 3339 or Unix seconds; a day ago if left out"),
            ("to", "RFC 3339 or Unix seconds; now if left out"),
        )
    ]
    points = {
        "name": "points",
        "in": "query",
        "required": False,
        "schema": {"type": "integer", "minimum": 10, "maximum": 5000},
        "description": "at most about this many columns; spikes and gaps survive (1000)",
    }
    return {
        "/api/v1/vessels": {"get": _get("how every vessel stands", "vessels")},
        "/api/v1/vessels/{vessel}": {"get": _get("how one vessel stands", "vessel", [_NAME])},
        "/api/v1/vessels/{vessel}/readings": {
            "get": _get(
                "readings, thinned so that spikes and gaps survive", "readings", [_NAME, *span, points]
            )
        },
        "/api/v1/vessels/{vessel}/journal": {
            "get": _get("the journal", "journal", [_NAME, *span]),
            "post": _post(
                "write into the journal",
                "enter",
                {
                    "text": {"type": "string", "minLength": 1, "maxLength": 500},
                    "time": {"type": ["string", "number"], "description": "now if left out"},
                    "minutes_ago": {"type": ["string", "number"], "description": "instead of time"},
                },
                ["text"],
                {"entry": {"type": "integer"}},
            ),
        },
        "/api/v1/vessels/{vessel}/batches": {"get": _get("batches, the newest first", "batches", [_NAME])},
    }


def _doing() -> dict[str, Any]:
    condition = {"condition": {"type": "string", "maxLength": 64, "description": "such as leak"}}
    return {
        "/api/v1/vessels/{vessel}/acknowledge": {
            "post": _post(
                "acknowledge alarms; all of the vessel's without a condition",
                "acknowledge",
                condition,
                [],
                {"changed": {"type": "integer"}},
            )
        },
        "/api/v1/vessels/{vessel}/shelve": {
            "post": _post(
                "keep one kind of alarm quiet for a time; never over-pressure",
                "shelve",
                condition | {"hours": {"type": ["number", "string"], "description": "above 0, at most 12"}},
                ["condition", "hours"],
                {"until": {"type": "string"}},
            )
        },
        "/api/v1/vessels/{vessel}/unshelve": {
            "post": _post(
                "tell of it again", "unshelve", condition, ["condition"], {"changed": {"type": "integer"}}
            )
        },
        "/api/v1/vessels/{vessel}/strike": {
            "post": _post(
                "take a journal entry back",
                "strike",
                {"entry": {"type": ["integer", "string"]}},
                ["entry"],
                {"changed": {"type": "integer"}},
            )
        },
        "/api/v1/vessels/{vessel}/stage": {
            "post": _post(
                "set the stage right, or take the last change back with `undo`",
                "stage",
                {"stage": {"type": "string", "maxLength": 64}},
                ["stage"],
                {"entry": {"type": "integer"}},
            )
        },
    }


def _beside() -> dict[str, Any]:
    text = {"type": "string"}
    return {
        "/metrics": {
            "get": {
                "operationId": "metrics",
                "summary": "metrics, OpenMetrics text",
                "responses": {
                    "200": {
                        "description": "all metrics",
                        "content": {"application/openmetrics-text": {"schema": text}},
                    },
                    **_REFUSALS,
                },
            }
        },
        "/api/v1/openapi.json": {
            "get": {
                "operationId": "openapi",
                "summary": "this description",
                "responses": {
                    "200": {
                        "description": "OpenAPI",
                        "content": {"application/json": {"schema": {"type": "object"}}},
                    },
                    **_REFUSALS,
                },
            }
        },
    }


def _get(summary: str, operation: str, parameters: list[dict[str, Any]] | None = None) -> dict[str, Any]:
    body = {"application/json": {"schema": {"type": "object"}}}
    return {
        "operationId": operation,
        "summary": summary,
        "parameters": parameters or [],
        "responses": {"200": {"description": summary, "content": body}, **_REFUSALS},
    }


def _post(
    summary: str, operation: str, fields: dict[str, Any], required: list[str], answer: dict[str, Any]
) -> dict[str, Any]:
    schema: dict[str, Any] = {"type": "object", "properties": fields, "required": required}
    done = {"type": "object", "properties": answer, "required": list(answer)}
    return {
        "operationId": operation,
        "summary": summary,
        "parameters": [_NAME],
        "requestBody": {"required": bool(required), "content": {"application/json": {"schema": schema}}},
        "responses": {
            "200": {"description": "done", "content": {"application/json": {"schema": done}}},
            **_REFUSALS,
        },
    }
