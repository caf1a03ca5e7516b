"""The OpenAPI description of the interface, from the models that it speaks in.

Source of the format: OpenAPI Specification 3.1.
"""

from functools import cache
from importlib.metadata import version

from pydantic import BaseModel, Field
from pydantic.json_schema import models_json_schema

from nightloom.remote.metrics import MEDIA_TYPE
from nightloom.remote.query import LEVELS
from nightloom.requests import Done, Pause, Refused, Reload, Resume, Retire, Skip, Unread
from nightloom.status import Status

Json = dict[str, object]


class Failed(BaseModel):
    """Why a request came to nothing."""

    why: str = Field(description="one sentence")


MODELS: tuple[type[BaseModel], ...] = (
    *(Status, Pause, Resume, Skip, Retire, Reload),
    *(Done, Refused, Unread, Failed),
)

FAILURES = {
    400: "A parameter is not known or has no meaning.",
    401: "The token is missing or wrong.",
    403: "Asked by another site's page or name, or for what needs a token that the daemon has not.",
    404: "There is none.",
    409: "It cannot be done now.",
    413: "The body is too long.",
}


@cache
def description() -> Json:
    """All routes a program may use."""
    _, schemas = models_json_schema(
        [(model, "serialization") for model in MODELS], ref_template="#/components/schemas/{model}"
    )
    token: Json = {"type": "http", "scheme": "bearer", "description": "the daemon's token, if any"}
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Nightloom",
            "version": version("nightloom"),
            "description": "What a daemon does, and what may be asked of it.",
        },
        "security": [{"token": []}, {}],
        "paths": {
            "/status": {"get": _status()},
            "/requests": {"post": _requests()},
            "/log": {"get": _log()},
            "/preview": {"get": _preview()},
            "/metrics": {"get": _metrics()},
        },
        "components": {"schemas": schemas["$defs"], "securitySchemes": {"token": token}},
    }


def _status() -> Json:
    return _operation("status", "What the daemon is doing.", "application/json", _ref(Status))


def _requests() -> Json:
    bodies = [_ref(one) for one in (Pause, Resume, Skip, Retire, Reload)]
    operation = _operation(
        "request",
        "Ask for something; in force when it is answered.",
        "application/json",
        _ref(Done),
        413,
    )
    responses = operation["responses"]
    assert isinstance(responses, dict)
    responses["409"] = _answer(FAILURES[409], "application/json", _ref(Refused))
    responses["400"] = _answer("It was not understood.", "application/json", _ref(Unread))
    content = {"application/json": {"schema": {"oneOf": bodies}}}
    return operation | {"requestBody": {"required": True, "content": content}}


def _log() -> Json:
    text: Json = {"type": "string"}
    many: Json = {"type": "array", "items": text}
    begin = "night (the newest, from its start), now, the date of an evening, or a line's id"
    return _operation(
        "log",
        "The log as server-sent events: id, event (its name) and data (the line, as JSON).",
        "text/event-stream",
        text,
        400,
        404,
    ) | {
        "parameters": [
            _parameter("from", begin, text | {"default": "night"}),
            _parameter("level", "this level and above", text | {"enum": list(LEVELS)}),
            _parameter("event", "only these events", many),
            _parameter("target", "only events that name one of these targets", many),
            _parameter("live", "no: end after what is there", text | {"enum": ["yes", "no"]}),
            _parameter("Last-Event-ID", "go on after this line", text, "header"),
        ]
    }


def _preview() -> Json:
    picture: Json = {"type": "string", "contentMediaType": "image/jpeg"}
    return _operation("preview", "The last frame, small and stretched.", "image/jpeg", picture, 404)


def _metrics() -> Json:
    words = "The figures in Prometheus' text format."
    return _operation("metrics", words, MEDIA_TYPE, {"type": "string"})


def _operation(name: str, words: str, media: str, schema: Json, *failures: int) -> Json:
    failed = {
        str(code): _answer(FAILURES[code], "application/json", _ref(Failed))
        for code in (401, 403, *failures)
    }
    answers: Json = {"200": _answer(words, media, schema), **failed}
    return {"operationId": name, "summary": words, "responses": answers}


def _answer(words: str, media: str, schema: Json) -> Json:
    return {"description": words, "content": {media: {"schema": schema}}}


def _parameter(name: str, words: str, schema: Json, where: str = "query") -> Json:
    return {"name": name, "in": where, "description": words, "schema": schema}


def _ref(model: type[BaseModel]) -> Json:
    return {"$ref": f"#/components/schemas/{model.__name__}"}
