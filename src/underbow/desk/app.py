"""The requests that the page makes, and what answers them. They are listed in DEVELOPERS.md.

What a request may cost is bounded by the guard before it (see :mod:`underbow.desk.guard`); what it may touch, by the folder.
Work is done in threads, so that a long answer keeps no other waiting.
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from importlib.resources import files
from typing import Any, Literal, cast
from urllib.parse import unquote

from starlette.applications import Starlette
from starlette.concurrency import iterate_in_threadpool, run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from underbow.desk.desk import Desk
from underbow.desk.hear.room import answer
from underbow.desk.hear.voices import RATE
from underbow.desk.news import Underway
from underbow.desk.paper.differences import differences
from underbow.desk.played.tape import Arrived
from underbow.desk.store import ElsewhereError
from underbow.errors import InputError, UnderbowError
from underbow.files.trouble import output_error

__all__ = ["make_app"]

_TYPES = {"html": "text/html", "css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
_SHARED = {  # with what makes each a module
    "latency.js": "export { latency };\n",
    "listener.js": "",
    "syllables.js": "export { fitSyllables };\n",
    "take.js": "export { Take, refusal, wav };\n",
}
MOST_JSON = 3_000_000
Answer = Callable[[Request], Awaitable[Response]]


def make_app(desk: Desk) -> Starlette:  # noqa: C901  a list of requests, one after the other
    """Make the application of a desk; it stands behind the guard."""

    def page(request: Request) -> Response:
        return _asset(request.path_params.get("file", "index.html"))

    async def shelf(request: Request) -> Response:
        return await _said(desk.shelf)

    async def shelf_chords(request: Request) -> Response:
        return await _said(desk.shelf_chords)

    async def begin(request: Request) -> Response:
        return await _said(desk.begin, await _body(request))

    async def book(request: Request) -> Response:
        return await _said(desk.book, unquote(request.headers.get("x-file-name", "")), await request.body())

    async def show(request: Request) -> Response:
        return await _said(desk.show, _name(request), request.query_params)

    async def change(request: Request) -> Response:
        return await _said(desk.change, _name(request), await _body(request))

    async def tune(request: Request) -> Response:
        return await _said(desk.tune, _name(request), await _body(request))

    async def trial(request: Request) -> Response:
        return await _said(desk.trial, _name(request), await _body(request))

    async def version(request: Request) -> Response:
        return await _said(desk.version, _name(request))

    async def book_tune(request: Request) -> Response:
        return await _said(desk.book_tune, await _body(request))

    async def move(request: Request) -> Response:
        way = cast(Literal["back", "forth"], request.path_params["way"])
        return await _said(desk.move, _name(request), way, await _body(request))

    async def put(request: Request) -> Response:
        return await _said(desk.put, _name(request), request.path_params["way"])

    async def fingers(request: Request) -> Response:
        return await _said(desk.fingers, _name(request), request.query_params.get("chord", ""))

    async def bowings(request: Request) -> Response:
        return await _said(desk.bowings, _name(request))

    async def bow(request: Request) -> Response:
        return await _said(desk.try_bow, await _body(request))

    async def keep_bow(request: Request) -> Response:
        return await _said(desk.keep_bow, _name(request), await _body(request))

    async def hear(request: Request) -> Response:
        return await _streamed(desk.hear, _name(request), await _body(request))

    async def room(request: Request) -> Response:
        return Response(await run_in_threadpool(answer, RATE), media_type="application/octet-stream")

    async def take(request: Request) -> Response:
        wanted = _object(request.query_params.get("said", "{}"))
        return await _said(desk.take, _name(request), await _arrived(request), wanted)

    async def history(request: Request) -> Response:
        wanted = await _body(request) if request.method == "POST" else None
        return await _said(desk.history, _name(request), wanted)

    async def recording(request: Request) -> Response:
        return await _said(desk.recording, _name(request))

    async def hand_in(request: Request) -> Response:
        wanted = _object(request.query_params.get("said", "{}"))
        return await _said(desk.hand_in, _name(request), await _arrived(request), wanted)

    async def put_recording(request: Request) -> Response:
        return await _said(desk.put_recording, _name(request), await _body(request))

    async def write_down(request: Request) -> Response:
        wanted = _object(request.query_params.get("said", "{}"))
        return await _said(desk.write_down, await _arrived(request), wanted)

    async def listening(request: Request) -> Response:
        return _news(desk.listening(request.path_params["key"]))

    async def leave(request: Request) -> Response:
        await run_in_threadpool(desk.leave, request.path_params["key"])
        return JSONResponse({})

    async def heard(request: Request) -> Response:
        return await run_in_threadpool(desk.heard, request.path_params["path"])

    async def lesson(request: Request) -> Response:
        return await _said(desk.make_lesson, await _body(request))

    async def progress(request: Request) -> Response:
        return _news(desk.lessons.get(request.path_params["key"]))

    async def stop(request: Request) -> Response:
        making = desk.lessons.get(request.path_params["key"])
        if making is not None:
            making.stop()
        return JSONResponse({})

    async def made(request: Request) -> Response:
        return await run_in_threadpool(desk.made, request.path_params["path"])

    async def close(request: Request) -> Response:
        desk.close()
        return JSONResponse({})

    return Starlette(
        routes=[
            Route("/", page),
            Route("/page/{file:path}", page),
            Route("/shelf", shelf),
            Route("/shelf/chords", shelf_chords),
            Route("/sheets", begin, methods=["POST"]),
            Route("/book", book, methods=["POST"]),
            Route("/book/tune", book_tune, methods=["POST"]),
            Route("/sheet/{name:path}/changes", change, methods=["POST"]),
            Route("/sheet/{name:path}/tune", tune, methods=["POST"]),
            Route("/sheet/{name:path}/trial", trial, methods=["POST"]),
            Route("/sheet/{name:path}/take/{way}", move, methods=["POST"]),
            Route("/sheet/{name:path}/put/{way}", put, methods=["POST"]),
            Route("/sheet/{name:path}/version", version),
            Route("/sheet/{name:path}/fingers", fingers),
            Route("/sheet/{name:path}/bowings", bowings),
            Route("/sheet/{name:path}/bow", keep_bow, methods=["POST"]),
            Route("/sheet/{name:path}/takes", take, methods=["POST"]),
            Route("/sheet/{name:path}/history", history, methods=["GET", "POST"]),
            Route("/sheet/{name:path}/recordings", hand_in, methods=["POST"]),
            Route("/sheet/{name:path}/recording", put_recording, methods=["POST"]),
            Route("/sheet/{name:path}/recording", recording),
            Route("/sheet/{name:path}/sound", hear, methods=["POST"]),
            Route("/sheet/{name:path}", show),
            Route("/bow", bow, methods=["POST"]),
            Route("/room", room),
            Route("/lessons", lesson, methods=["POST"]),
            Route("/lessons/{key}/progress", progress),
            Route("/written", write_down, methods=["POST"]),
            Route("/listening/{key}/progress", listening),
            Route("/listening/{key}/stop", leave, methods=["POST"]),
            Route("/lessons/{key}/stop", stop, methods=["POST"]),
            Route("/made/{path:path}", made),
            Route("/heard/{path:path}", heard),
            Route("/close", close, methods=["POST"]),
        ],
        exception_handlers={UnderbowError: _wrong, ElsewhereError: _wrong, ClientDisconnect: _gone},
    )


def _name(request: Request) -> str:
    return str(request.path_params["name"])


async def _body(request: Request) -> dict[str, Any]:
    """Read a request's JSON object.

    Raises
    ------
    InputError
        Where it is none, or too large.
    """
    data = await request.body()
    if len(data) > MOST_JSON:
        raise InputError("too much at once")
    return _object(data)


def _object(data: bytes | str) -> dict[str, Any]:
    try:
        found = json.loads(data)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise InputError("the page and the desk don't understand each other; reload the page")
    return found


async def _arrived(request: Request) -> Arrived:
    """Write what is sent into a file as it comes; memory holds no more than a piece of it.

    Raises
    ------
    InputError
        Where its name is no recording's.
    """
    arrived = await run_in_threadpool(Arrived, unquote(request.headers.get("x-file-name", "")))
    try:
        with arrived.path.open("wb") as file:
            async for piece in request.stream():
                await run_in_threadpool(file.write, piece)
    except OSError as error:
        arrived.close()
        raise output_error(error, arrived.path) from None
    except BaseException:
        arrived.close()
        raise
    return arrived


def _news(underway: Underway | None) -> Response:
    """Tell how far something is, as it goes on."""
    if underway is None:
        return _refusal(404, "nothing of that name is being made")
    events = (f"data: {json.dumps(now)}\n\n".encode() for now in underway.news())
    return StreamingResponse(iterate_in_threadpool(events), media_type="text/event-stream")


async def _said(ask: Callable[..., Any], *words: Any) -> Response:
    """Ask the desk in a thread, and say what it says."""
    return JSONResponse(await run_in_threadpool(ask, *words))


async def _streamed(ask: Callable[..., Iterator[bytes]], *words: Any) -> Response:
    """Stream what the desk gives; what is wrong with it shows before the first message."""
    stream = await run_in_threadpool(ask, *words)
    first = await run_in_threadpool(next, stream, b"")

    async def all_of_it() -> AsyncIterator[bytes]:
        yield first
        async for message in iterate_in_threadpool(stream):
            yield message

    return StreamingResponse(all_of_it(), media_type="application/octet-stream")


async def _wrong(_: Request, wrong: Exception) -> Response:
    if isinstance(wrong, ElsewhereError):
        changed = [
            {"file": name, "mine": mine, "theirs": theirs, "differs": differences(name, mine, theirs) if mine else []}
            for name, (mine, theirs) in wrong.files.items()
        ]
        return JSONResponse({"elsewhere": changed}, 409)
    if isinstance(wrong, InputError):
        problems = [
            {"what": fault.what, "line": fault.line, "column": fault.column, "where": fault.where, "file": fault.file}
            for fault in wrong.faults
        ]
        return JSONResponse({"problems": problems}, 400)
    return JSONResponse({"problems": [{"what": str(wrong)}]}, 500)


async def _gone(_: Request, __: Exception) -> Response:
    return _refusal(400, "the browser went away")


def _refusal(status: int, what: str) -> Response:
    return JSONResponse({"problems": [{"what": what}]}, status)


def _asset(name: str) -> Response:
    """Serve a file of the page. What records and tells the time is the learner's page's own script, as a module."""
    ending = name.rpartition(".")[2]
    if name in _SHARED:
        script = files("underbow.lesson.practice").joinpath(name).read_text(encoding="utf-8")
        return Response(script + _SHARED[name], media_type=_TYPES["js"])
    folder = files("underbow.desk.page.parts" if name.startswith("parts/") else "underbow.desk.page")
    known = {entry.name: entry for entry in folder.iterdir()}
    asset = known.get(name.removeprefix("parts/"))
    if asset is None or ending not in _TYPES:
        return PlainTextResponse("no such page", 404)
    return Response(asset.read_bytes(), media_type=_TYPES[ending])
