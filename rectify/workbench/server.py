"""The workbench's server: one case, on this machine's own address, for whoever has the token.

It serves the page and its scripts, which tell nothing of the case, and the requests of `rectify.workbench.routes`
behind the gate. It never listens anywhere else than on loopback.
"""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable
from pathlib import Path

from fastapi import FastAPI, Request, Response
from fastapi.responses import FileResponse, JSONResponse

from rectify.errors import OutputError
from rectify.workbench.gate import App, Gate
from rectify.workbench.routes import api_of
from rectify.workbench.session import Session

__all__ = ["HOST", "app_of", "listen_on", "serve"]

HOST = "127.0.0.1"
_STATIC = Path(__file__).resolve().parent / "static"
_TYPES = {".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml"}


def app_of(session: Session, *, token: str, port: int) -> App:
    """The application of one session, behind its gate."""
    from rectify.viewer import static_folder

    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None)
    app.include_router(api_of(session))

    @app.exception_handler(Exception)
    def internal(_: Request, problem: Exception) -> Response:
        fault = {
            "message": f"internal fault: {type(problem).__name__}: {problem}",
            "hint": "nothing that was saved is lost",
        }
        return JSONResponse({"faults": [fault]}, status_code=500)

    @app.get("/")
    def page() -> Response:
        return FileResponse(_STATIC / "page.html", media_type="text/html; charset=utf-8")

    for prefix, folder in (("bench", _STATIC), ("viewer", static_folder())):
        _serve_files(app, prefix, folder)
    return Gate(app, token=token, port=port, open_paths=("/bench/", "/viewer/"))


def _serve_files(app: FastAPI, prefix: str, folder: Path) -> None:
    """The scripts and style sheets of a folder, by name; nothing else has an address."""
    files = {file.name: file for file in folder.iterdir() if file.suffix in _TYPES}

    @app.get(f"/{prefix}/{{name}}")
    def one(name: str) -> Response:
        file = files.get(name)
        if file is None:
            return Response("there is no such file", status_code=404, media_type="text/plain")
        return FileResponse(file, media_type=_TYPES[file.suffix])


def listen_on(port: int) -> socket.socket:
    """A socket on loopback; port 0 takes a free one.

    Raises
    ------
    OutputError
        Something listens there already.
    """
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((HOST, port))
        listener.listen(64)  # whoever opens the address at once waits, and is not turned away
    except OSError as problem:
        listener.close()
        raise OutputError(
            f"port {port} cannot be used", key="--port", found=problem.strerror or str(problem),
            hint="another program listens there: choose another port, or leave --port out",
        ) from problem  # fmt: skip
    return listener


def serve(session: Session, listener: socket.socket, *, ready: Callable[[str], None], token: str | None = None) -> None:
    """Serve until interrupted.

    Parameters
    ----------
    session : Session
        Closed at the end.
    listener : socket
        From `listen_on`.
    ready : called with the address to open, token included
    token : str, optional
        By default a new one, 256 bits.
    """
    import uvicorn

    port = int(listener.getsockname()[1])
    token = token or secrets.token_urlsafe(32)
    app = app_of(session, token=token, port=port)
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, lifespan="off", ws="none", server_header=False,
        timeout_graceful_shutdown=2, timeout_keep_alive=5,
    )  # fmt: skip
    server = uvicorn.Server(config)
    ready(f"http://{HOST}:{port}/?token={token}")
    try:
        server.run(sockets=[listener])
    finally:
        session.close()
        listener.close()
