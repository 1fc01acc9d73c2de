"""`/health` and `/metrics` over HTTP, on loopback only."""

from collections.abc import Callable, Sequence

import msgspec
from aiohttp import web

from .figures import LineFigures, judge
from .openmetrics import CONTENT_TYPE, openmetrics

Figures = Callable[[], Sequence[LineFigures]]


def application(figures: Figures) -> web.Application:
    """The two pages: GET and HEAD only, everything else is 404 or 405."""

    async def health(_: web.Request) -> web.Response:
        lines = {f.line: (judge(f), f) for f in figures()}
        order = ("ok", "degraded", "failing")
        worst = max((v.status for v, _ in lines.values()), key=order.index, default="failing")
        body = {
            "status": worst,
            "lines": {
                name: {"status": v.status, "reasons": v.reasons, "figures": msgspec.to_builtins(f)}
                for name, (v, f) in lines.items()
            },
        }
        return web.Response(
            body=msgspec.json.encode(body), status=503 if worst == "failing" else 200, content_type="application/json"
        )

    async def metrics(_: web.Request) -> web.Response:
        return web.Response(body=openmetrics(figures()), headers={"Content-Type": CONTENT_TYPE})

    app = web.Application(client_max_size=1024)
    app.router.add_get("/health", health)
    app.router.add_get("/metrics", metrics)
    return app


class HealthServer:
    """Serves while it is entered. `port` is the one in use. Raises OSError when the address cannot be bound."""

    def __init__(self, address: tuple[str, int], figures: Figures) -> None:
        self._address = address
        self._runner = web.AppRunner(application(figures), access_log=None, shutdown_timeout=1.0)
        self.port = address[1]

    async def __aenter__(self) -> "HealthServer":
        await self._runner.setup()
        site = web.TCPSite(self._runner, *self._address)
        await site.start()
        self.port = self._runner.addresses[0][1]
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._runner.cleanup()
