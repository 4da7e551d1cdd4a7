"""The page's server: pictures by the IIIF Image API, the drawing, the numbers.

GET  /?key=...                         from the link: sets the cookie
GET  /                                 the page
GET  /page/NAME                        its files
GET  /setup                            what is shown, and how kinds are drawn
GET  /iiif/ID[@TONE]/info.json         IIIF Image API 3
GET  /iiif/ID[@TONE]/REGION/SIZE/ROTATION/QUALITY.FORMAT
GET  /drawing                          {"document", "version"}; the ETag is the version
PUT  /drawing                          If-Match: the version that was seen
POST /numbers                          {"document"} -> measurements, block by block
POST /details                          {"document", "index"} -> one block in full
POST /combine                          {"document", "indices", "how"} -> geometries
"""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Mapping
from dataclasses import asdict
from importlib import resources
from typing import TYPE_CHECKING, Any, TypeVar

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from dieplat.annotate.drawing import in_pixels
from dieplat.annotate.guard import Guard
from dieplat.annotate.image_request import FORMATS, information, parse_request
from dieplat.annotate.numbers import block_details, combine_outlines, outline_numbers, snapped_outline
from dieplat.annotate.picture import ShownPicture, Tone
from dieplat.annotate.session import Session, use_known_length, view_of
from dieplat.errors import DieplatError, DrawingConflictError, ImageRequestError, SettingsError
from dieplat.files import FULL, line_of, to_plain
from dieplat.mosaicfile.write import TILE_PX
from dieplat.report.palette import STYLES
from dieplat.values import KINDS

if TYPE_CHECKING:
    import uvicorn

Answer = TypeVar("Answer")
LOOPBACK = "127.0.0.1"
PAGE_FILES = {
    "page.js": "text/javascript; charset=utf-8",
    "page.css": "text/css; charset=utf-8",
    "icon.svg": "image/svg+xml",
    "notices.txt": "text/plain; charset=utf-8",
}


def build_app(session: Session, *, key: str, port: int) -> Guard:
    """The server as an ASGI application, guarded."""
    page = _Page(session, key)
    routes = [
        Route("/", page.index),
        Route("/page/{name}", page.file),
        Route("/setup", page.setup),
        Route("/iiif/{id}/info.json", page.picture_information),
        Route("/iiif/{id}/{region}/{size}/{rotation}/{quality}.{format}", page.picture),
        Route("/drawing", page.drawing, methods=["GET"]),
        Route("/drawing", page.save, methods=["PUT"]),
        Route("/numbers", page.numbers, methods=["POST"]),
        Route("/details", page.details, methods=["POST"]),
        Route("/combine", page.combine, methods=["POST"]),
        Route("/snap", page.snap, methods=["POST"]),
        Route("/scale", page.scale, methods=["POST"]),
        Route("/view", page.view, methods=["POST"]),
    ]
    app = Starlette(routes=routes, exception_handlers={DieplatError: _told, OSError: _refused})
    return Guard(app, key=key, hosts=(f"{LOOPBACK}:{port}", f"localhost:{port}"))


def listen(port: int = 0) -> socket.socket:
    """A socket on the loopback address; port 0 takes a free one.

    Raises
    ------
    SettingsError
        If the port is taken.
    """
    # The protocol by name: only then does asyncio send small answers at once (TCP_NODELAY).
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listening.bind((LOOPBACK, port))
    except OSError as error:
        listening.close()
        raise SettingsError(f"port {port}: cannot be used ({error.strerror}); leave --port out") from None
    listening.listen(128)
    return listening


def serve(session: Session, listening: socket.socket, *, key: str) -> None:
    """Serve until interrupted."""
    import uvicorn

    app = build_app(session, key=key, port=listening.getsockname()[1])
    uvicorn.Server(configuration(app)).run(sockets=[listening])


def configuration(app: Guard) -> uvicorn.Config:
    """How the guarded application is served."""
    import uvicorn

    from dieplat.annotate.patience import PatientProtocol

    return uvicorn.Config(
        app,
        http=PatientProtocol,
        log_level="error",
        access_log=False,
        server_header=False,
        lifespan="off",
        timeout_graceful_shutdown=2,
    )


def index_html(*, mode: str, key: str = "") -> str:
    """The page itself; `mode` is "draw", or "show" where nothing can be changed."""
    page = resources.files("dieplat.annotate") / "page" / "index.html"
    return page.read_text(encoding="utf-8").replace("{{key}}", key).replace("{{mode}}", mode)


def setup_of(session: Session) -> dict[str, Any]:
    """What the page must know before it shows anything."""
    scale = session.conditions.scale
    pictures = [
        {
            "id": str(number),
            "name": shown.name,
            "width_px": shown.mosaic.width_px,
            "height_px": shown.mosaic.height_px,
            "dtype": shown.mosaic.dtype,
            "tone": {"low": shown.tone.low, "high": shown.tone.high, "gamma": shown.tone.gamma},
        }
        for number, shown in enumerate(session.pictures)
    ]
    return {
        "title": session.title,
        "file": session.drawing.path.name,
        "pictures": pictures,
        "tile_px": TILE_PX,
        "scale": None if scale is None else scale.to_dict(),
        "kinds": [{"kind": kind, **asdict(STYLES[kind])} for kind in KINDS],
    }


async def _told(request: Request, error: Exception) -> Response:
    """A library error is one line for the person, with the status that fits."""
    status = 412 if isinstance(error, DrawingConflictError) else 400
    return JSONResponse({"error": " ".join(str(error).split())}, status_code=status)


async def _refused(request: Request, error: Exception) -> Response:
    """What the system refused, such as room on the disk: nothing that the page asked wrongly."""
    assert isinstance(error, OSError)
    return JSONResponse({"error": line_of(error)}, status_code=507 if error.errno in FULL else 500)


class _Page:
    """The routes. What computes runs in worker threads, so that pictures keep coming."""

    def __init__(self, session: Session, key: str) -> None:
        self._session = session
        self._key = key
        self._files = resources.files("dieplat.annotate") / "page"

    async def index(self, request: Request) -> Response:
        html = index_html(mode="draw", key=self._key)
        return Response(html, media_type="text/html; charset=utf-8", headers={"cache-control": "no-store"})

    async def file(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in PAGE_FILES:
            return PlainTextResponse("dieplat: no such file\n", status_code=404)
        data = (self._files / name).read_bytes()
        return Response(data, media_type=PAGE_FILES[name], headers={"cache-control": "no-cache"})

    async def setup(self, request: Request) -> Response:
        return _json(setup_of(self._session))

    async def picture_information(self, request: Request) -> Response:
        shown, _ = self._shown(request)
        address = str(request.url).removesuffix("/info.json")
        document = information(address, shown.mosaic.level_sizes, TILE_PX)
        kind = 'application/ld+json;profile="http://iiif.io/api/image/3/context.json"'
        return Response(json.dumps(document), media_type=kind)

    async def picture(self, request: Request) -> Response:
        shown, tone = self._shown(request)
        names = ("region", "size", "rotation", "quality", "format")
        region, size, rotation, quality, file_format = (request.path_params[name] for name in names)
        wanted = parse_request(
            region,
            size,
            rotation,
            quality,
            file_format,
            width_px=shown.mosaic.width_px,
            height_px=shown.mosaic.height_px,
        )
        data = await run_in_threadpool(shown.encoded, wanted, tone)
        return Response(data, media_type=FORMATS[file_format], headers={"cache-control": "private, max-age=86400"})

    def _shown(self, request: Request) -> tuple[ShownPicture, Tone | None]:
        number, _, tone = str(request.path_params["id"]).partition("@")
        pictures = self._session.pictures
        if not number.isdecimal() or len(number) > 4 or int(number) >= len(pictures):
            raise ImageRequestError(f"picture {number[:20]!r}: there are {len(pictures)}, counted from 0")
        return pictures[int(number)], Tone.parse(tone) if tone else None

    async def drawing(self, request: Request) -> Response:
        found = await run_in_threadpool(self._session.drawing.read)
        if request.headers.get("if-none-match") == f'"{found.version}"':
            return Response(status_code=304, headers={"etag": f'"{found.version}"'})
        document = in_pixels(found.document, self._session.conditions.scale, source=str(self._session.drawing.path))
        return _json({"document": document, "version": found.version}, etag=found.version)

    async def save(self, request: Request) -> Response:
        seen = request.headers.get("if-match", "").strip('"')
        document = await _body(request)
        version = await run_in_threadpool(lambda: self._session.drawing.save(document, seen=seen))
        return _json({"version": version}, etag=version)

    async def numbers(self, request: Request) -> Response:
        return await self._computed(request, lambda ask: outline_numbers(self._session.conditions, ask["document"]))

    async def details(self, request: Request) -> Response:
        return await self._computed(
            request, lambda ask: block_details(self._session.conditions, ask["document"], int(ask["index"]))
        )

    async def combine(self, request: Request) -> Response:
        def work(ask: Mapping[str, Any]) -> Mapping[str, Any]:
            first, second = (int(index) for index in ask["indices"])
            return combine_outlines(ask["document"], (first, second), str(ask["how"]))

        return await self._computed(request, work)

    async def snap(self, request: Request) -> Response:
        return await self._computed(
            request, lambda ask: snapped_outline(self._session.conditions, ask["document"], int(ask["index"]))
        )

    async def scale(self, request: Request) -> Response:
        return await self._computed(
            request,
            lambda ask: use_known_length(
                self._session, ask["line"], length_um=float(ask["length_um"]), length_um_u=float(ask["length_um_u"])
            ),
        )

    async def view(self, request: Request) -> Response:
        ask = await _body(request)
        data = await run_in_threadpool(_checked, view_of, self._session, ask)
        return Response(data, media_type="image/png", headers={"cache-control": "no-store"})

    async def _computed(self, request: Request, work: Callable[[Mapping[str, Any]], Mapping[str, Any]]) -> Response:
        ask = await _body(request)
        return _json(await run_in_threadpool(_checked, work, ask))


def _checked(work: Callable[..., Answer], *given: Any) -> Answer:
    """The answer; what the page should never send becomes one line too."""
    try:
        return work(*given)
    except (KeyError, TypeError, ValueError) as error:
        if isinstance(error, DieplatError):
            raise
        raise SettingsError(f"the page asked for something unknown ({error}); load it again") from None


async def _body(request: Request) -> dict[str, Any]:
    try:
        document = json.loads(await request.body())
    except (ValueError, RecursionError) as error:
        raise SettingsError(f"what was sent is not JSON ({str(error)[:60]})") from None
    if not isinstance(document, dict):
        raise SettingsError("what was sent is no JSON object")
    return document


def _json(document: Mapping[str, Any], *, etag: str = "") -> Response:
    headers = {"cache-control": "no-store"} | ({"etag": f'"{etag}"'} if etag else {})
    return JSONResponse(to_plain(document), headers=headers)
