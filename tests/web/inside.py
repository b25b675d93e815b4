"""An application asked without a server, in this process, and the routes that it has."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager

import httpx
from fastapi import FastAPI


class _Inside(httpx.BaseTransport):
    def __init__(self, app: FastAPI, address: str, *, raises: bool) -> None:
        self.inner = httpx.ASGITransport(app, raise_app_exceptions=raises, client=(address, 50_000))
        self.runner = asyncio.Runner()

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        return self.runner.run(self._answer(request))

    async def _answer(self, request: httpx.Request) -> httpx.Response:
        answer = await self.inner.handle_async_request(request)
        body = await answer.aread()
        return httpx.Response(answer.status_code, headers=answer.headers, content=body)

    def close(self) -> None:
        self.runner.close()


class _Client(httpx.Client):
    """May be asked before it is entered; there is no connection to open."""

    def __enter__(self) -> _Client:
        return self


def asking(
    app: FastAPI,
    base: str = "http://testserver",
    *,
    address: str = "192.0.2.1",
    raises: bool = True,
) -> httpx.Client:
    """A client of the application that comes from an address. What the application does not catch
    is raised here, unless `raises` is False: then it is answered with 500."""
    return _Client(base_url=base, transport=_Inside(app, address, raises=raises))


@contextmanager
def running(app: FastAPI, base: str = "http://testserver") -> Iterator[httpx.Client]:
    """A client of the application while its queue runs, as it does while it is served."""
    with asyncio.Runner() as runner:
        lifespan = app.router.lifespan_context(app)
        runner.run(lifespan.__aenter__())
        try:
            with asking(app, base) as client:
                yield client
        finally:
            runner.run(lifespan.__aexit__(None, None, None))


def routes_of(app: FastAPI) -> list[tuple[str, str]]:
    """Every method and path that the application answers, included routers and all."""
    found = set()
    for route in app.routes:
        included = getattr(route, "effective_route_contexts", None)
        for one in included() if included is not None else (route,):
            for method in getattr(one, "methods", None) or ():
                found.add((method, one.path))
    return sorted(found, key=lambda one: (one[1], one[0]))
