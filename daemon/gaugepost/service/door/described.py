"""What the door takes, in the description of the interface (OpenAPI 3.1): ways in, and commands as JSON."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI

from gaugepost.service.door.cookies import CSRF_HEADER, name_of
from gaugepost.service.door.scopes import SIGN_IN


def described(api: FastAPI, *, tls: bool) -> dict[str, Any]:
    """Return the description of `api`, with what the door asks of every request; made once."""
    if api.openapi_schema is None:
        made = FastAPI.openapi(api)
        made.setdefault("components", {})["securitySchemes"] = {
            "token": {
                "type": "http",
                "scheme": "bearer",
                "description": "a program's token, by `gaugepost access grant`",
            },
            "session": {
                "type": "apiKey",
                "in": "cookie",
                "name": name_of(tls=tls),
                "description": f"somebody signed in; what changes something needs {CSRF_HEADER} with what GET "
                "/v1/session says as csrf",
            },
        }
        for method, route in (
            (method, route) for way in made["paths"].values() for method, route in way.items()
        ):
            if method in ("post", "put", "patch"):  # the guard takes no command that does not say it is JSON
                body = route.setdefault("requestBody", {"content": {"application/json": {"schema": {}}}})
                body["required"] = True
        made["security"] = [{"token": []}, {"session": []}]
        method, path = SIGN_IN
        made["paths"][path][method.lower()]["security"] = []
        api.openapi_schema = made
    return api.openapi_schema
