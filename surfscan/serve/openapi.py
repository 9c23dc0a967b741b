"""The service described: as OpenAPI 3.1 for programs, and as a page to read that fetches nothing."""

from __future__ import annotations

from html import escape
from typing import Any

from surfscan.job.uploads import MOST_FILE_MB, MOST_PHOTOS, MOST_TOTAL_MB
from surfscan.report.output import OUTPUT_FILES
from surfscan.version import VERSION

__all__ = ["describe", "make_page"]

_ID = {
    "name": "id", "in": "path", "required": True, "schema": {"type": "string", "pattern": "^[0-9a-f]{64}$"},
    "description": "The job's id: SHA-256 over its sheet, its photos and the program's version.",
}  # fmt: skip


def describe() -> dict[str, Any]:
    """The OpenAPI document."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "surfscan",
            "version": VERSION,
            "description": "Is the panel fair? Send a job sheet and photos, follow the job, fetch its result.",
        },
        "security": [{"token": []}],
        "paths": {
            "/jobs": {"post": _submit()},
            "/jobs/{id}": {"get": _follow(), "delete": _forget()},
            "/jobs/{id}/{file}": {"get": _fetch()},
            "/health": {
                "get": {
                    "summary": "Whether it runs, and how many jobs wait and run",
                    "security": [],
                    "responses": {"200": _json("Its state", {"type": "object"})},
                }
            },
        },
        "components": {
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
            "schemas": {"Job": _job_schema(), "Error": _error_schema()},
        },
    }


def _submit() -> dict[str, Any]:
    return {
        "summary": "Send a job",
        "description": (
            f"panel.toml and the files that it names, as multipart/form-data: up to {MOST_PHOTOS} photos,"
            f" {MOST_FILE_MB} MB each, {MOST_TOTAL_MB} MB together. The same bytes sent twice are one job."
        ),
        "requestBody": {
            "required": True,
            "content": {
                "multipart/form-data": {
                    "schema": {
                        "type": "object",
                        "required": ["files"],
                        "properties": {
                            "files": {
                                "type": "array",
                                "items": {"type": "string", "format": "binary"},
                                "description": "The sheet as panel.toml, the photos as the sheet names them.",
                            },
                            "job_number": {
                                "type": "string",
                                "pattern": "^[0-9][0-9./-]{0,31}$",
                                "description": "The shop's number of the job, for the record.",
                            },
                        },
                    }
                }
            },
        },
        "responses": {
            "200": _job("It is known already"),
            "202": _job("It is in the queue"),
            "408": _refused("The upload did not come to an end"),
            "413": _refused("Too large, or too many files"),
            "429": _refused("Too much to do: come again after so many seconds as Retry-After says"),
            **_usual(),
        },
    }


def _follow() -> dict[str, Any]:
    wait = {
        "name": "wait", "in": "query", "schema": {"type": "number", "minimum": 0, "maximum": 30},
        "description": "Answer when the job is done, or after so many seconds.",
    }  # fmt: skip
    return {
        "summary": "Follow a job",
        "parameters": [_ID, wait],
        "responses": {"200": _job("How it stands"), "404": _refused("No such job"), **_usual()},
    }


def _forget() -> dict[str, Any]:
    return {
        "summary": "Take a finished job's result away for good (a record keeps its pass: surfscan forget)",
        "parameters": [_ID],
        "responses": {
            "204": {"description": "It is gone"},
            "404": _refused("No such job"),
            "409": _refused("Not done yet"),
            **_usual(),
        },
    }


def _fetch() -> dict[str, Any]:
    file = {
        "name": "file", "in": "path", "required": True,
        "schema": {"type": "string", "enum": list(OUTPUT_FILES)},
        "description": "A file of the result, as surfscan check writes it.",
    }  # fmt: skip
    return {
        "summary": "Fetch a file of the result",
        "parameters": [_ID, file],
        "responses": {
            "200": {
                "description": "The file",
                "content": {"*/*": {"schema": {"type": "string", "format": "binary"}}},
            },
            "404": _refused("No such job, or no such file"),
            "409": _refused("Not done yet"),
            **_usual(),
        },
    }


def _job_schema() -> dict[str, Any]:
    return {
        "type": "object",
        "required": ["id", "state", "url"],
        "properties": {
            "id": {"type": "string"},
            "state": {"enum": ["waiting", "running", "done"]},
            "url": {"type": "string", "description": "Where to follow it."},
            "ahead": {"type": "integer", "description": "Jobs before it, while it waits."},
            "stage": {"type": "string", "description": "What is done to it, while it runs."},
            "share": {"type": "number", "description": "Of it, 0 to 1."},
            "outcome": {
                "enum": [
                    "ready",
                    "close",
                    "rework",
                    "not_measured",
                    "refused",
                    "timeout",
                    "memory",
                    "crashed",
                    "fault",
                ]
            },
            "reason": {
                "type": ["string", "null"],
                "description": "The verdict in a sentence, or why there is none.",
            },
            "files": {"type": "object", "description": "The result's files and where they are."},
        },
    }


def _error_schema() -> dict[str, Any]:
    text = {"type": "string"}
    return {
        "type": "object",
        "required": ["error"],
        "properties": {
            "error": {
                "type": "object",
                "properties": {"what": text, "found": text, "allowed": text, "cure": text},
            }
        },
    }


def _usual() -> dict[str, Any]:
    return {"401": _refused("No token, or a wrong one"), "422": _refused("Refused, with what to do")}


def _job(what: str) -> dict[str, Any]:
    return _json(what, {"$ref": "#/components/schemas/Job"})


def _refused(what: str) -> dict[str, Any]:
    return _json(what, {"$ref": "#/components/schemas/Error"})


def _json(what: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"description": what, "content": {"application/json": {"schema": schema}}}


_LOOKS = """
:root { color-scheme: light dark; } body { font: 16px/1.5 system-ui, sans-serif; max-width: 52rem; margin: 0 auto;
  padding: 1rem; overflow-wrap: anywhere; } code { font-size: .95em; } h2 { margin-top: 2rem; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .2rem 1rem; } dd { margin: 0; }
"""


def make_page(document: dict[str, Any]) -> str:
    """The OpenAPI document as a page: every call with what it takes and what it answers."""
    parts = []
    for path, calls in document["paths"].items():
        for method, call in calls.items():
            parts.append(
                f"<h2><code>{method.upper()} {escape(path)}</code></h2><p>{escape(call['summary'])}.</p>"
            )
            if "description" in call:
                parts.append(f"<p>{escape(call['description'])}</p>")
            body = (
                call.get("requestBody", {})
                .get("content", {})
                .get("multipart/form-data", {})
                .get("schema", {})
            )
            taken = [(p["name"], p["description"]) for p in call.get("parameters", ())]
            taken += [(name, field["description"]) for name, field in body.get("properties", {}).items()]
            parts.append(_pairs("Takes", taken))
            parts.append(_pairs("Answers", [(k, v["description"]) for k, v in call["responses"].items()]))
    info = document["info"]
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(info["title"])}: for programs'
        '</title><meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{_LOOKS}</style></head><body><h1>{escape(info['title'])} {escape(info['version'])}</h1>"
        f"<p>{escape(info['description'])} Every call under <code>/jobs</code> needs the header"
        " <code>Authorization: Bearer TOKEN</code>; the terminal of the service shows the token. For programs:"
        f' <a href="/openapi.json">openapi.json</a> (OpenAPI {escape(document["openapi"])}).</p>'
        f"{''.join(parts)}</body></html>"
    )


def _pairs(title: str, rows: list[tuple[str, str]]) -> str:
    if not rows:
        return ""
    told = "".join(f"<dt><code>{escape(name)}</code></dt><dd>{escape(words)}</dd>" for name, words in rows)
    return f"<h3>{title}</h3><dl>{told}</dl>"
