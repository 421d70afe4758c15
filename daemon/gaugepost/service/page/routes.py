"""Where the page is: `/` and `/sign-in`, and the files below `/page/` that they load.

Each answer carries a policy of its own (W3C Content Security Policy Level 3; Trusted Types): only files from here run,
nothing inline, nothing from elsewhere, and no text becomes markup.
"""

from __future__ import annotations

from fastapi import APIRouter, Depends, Request, Response

from gaugepost.service.page.files import PageFile, read_all
from gaugepost.service.problems import NotHere
from gaugepost.service.query import only

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'none'; "
    "base-uri 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types 'none'"
)


def routes() -> APIRouter:
    """Return the routes of the page. They say nothing of the station: the page asks for that as anybody does."""
    router = APIRouter(dependencies=[Depends(only())], include_in_schema=False)
    files = read_all()

    @router.get("/")
    async def page(request: Request) -> Response:
        """The bench page."""
        return _answer(request, files["index.html"])

    @router.get("/sign-in")
    async def sign_in(request: Request) -> Response:
        """Where a person signs in."""
        return _answer(request, files["sign-in.html"])

    @router.get("/page/{room}/{name}")
    async def file(room: str, name: str, request: Request) -> Response:
        """One of the files that they load."""
        found = files.get(f"{room}/{name}")
        if found is None:
            raise NotHere(f"the page has no {room[:40]}/{name[:40]}", hint="open / instead")
        return _answer(request, found)

    return router


def _answer(request: Request, file: PageFile) -> Response:
    """Return a file, or that it is as the browser has it: asked for every time, so that an upgrade shows at once."""
    headers = {
        "ETag": file.tag,
        "Cache-Control": "no-cache",
        "Content-Security-Policy": POLICY,
    }
    if request.headers.get("if-none-match") == file.tag:
        return Response(status_code=304, headers=headers)
    return Response(file.content, media_type=file.media_type, headers=headers)
