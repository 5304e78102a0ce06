"""The OpenAPI document of the desk, made from the table of its routes (OpenAPI Specification 3.1)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

import partsong
from partsong.desk.answers import Failure
from partsong.desk.routes import JSON, Route

_REF = "#/components/schemas/{model}"
_BYTES = {"schema": {"type": "string", "format": "binary"}}


def document(routes: Sequence[Route]) -> dict[str, Any]:
    """Return the document as JSON-like values."""
    models: dict[type[BaseModel], str] = {Failure: "serialization"}
    for route in routes:
        if isinstance(route.says, type):
            models[route.says] = "serialization"
        if route.takes is not None and route.takes.written == JSON:
            models[route.takes] = "validation"
    pairs: list[Any] = list(models.items())
    refs, schemas = models_json_schema(pairs, ref_template=_REF)

    def ref(model: type[BaseModel]) -> dict[str, Any]:
        return refs[(model, models[model])]  # type: ignore[index]

    paths: dict[str, dict[str, Any]] = {}
    for route in routes:
        says = (
            {"application/json": {"schema": ref(route.says)}} if isinstance(route.says, type) else {route.says: _BYTES}
        )
        operation: dict[str, Any] = {
            "summary": route.summary,
            "operationId": f"{route.method.lower()}{re.sub(r'[^a-z]+', '_', route.path)}".rstrip("_"),
            "parameters": [*_in_path(route.path), *(_in_query(route.takes) if route.method == "GET" else [])],
            "responses": {
                "200": {"description": "Done.", "content": says},
                "default": {"description": "Not done.", "content": {"application/json": {"schema": ref(Failure)}}},
            },
        }
        if route.method == "POST" and route.takes is not None:
            operation["requestBody"] = {
                "required": True,
                "content": {
                    route.takes.written: {"schema": ref(route.takes)} if route.takes.written == JSON else _BYTES
                },
            }
        paths.setdefault(route.path, {})[route.method.lower()] = operation
    return {
        "openapi": "3.1.0",
        "info": {"title": "Partsong's desk", "version": partsong.__version__},
        "paths": paths,
        "components": {"schemas": schemas.get("$defs", {})},
    }


def _in_path(path: str) -> list[dict[str, Any]]:
    names = re.findall(r"\{(\w+)\}", path)
    return [{"name": name, "in": "path", "required": True, "schema": {"type": "string"}} for name in names]


def _in_query(model: type[BaseModel] | None) -> list[dict[str, Any]]:
    if model is None:
        return []
    schema = model.model_json_schema()
    required = schema.get("required", [])
    return [
        {"name": name, "in": "query", "required": name in required, "schema": form}
        for name, form in schema.get("properties", {}).items()
    ]
