"""A workbench that really listens on loopback, and a client that asks it as a page does."""

from __future__ import annotations

import http.client
import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rectify.workbench import Session, app_of, listen_on

TOKEN = "a-token-of-the-tests"


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        """The body as JSON."""
        return json.loads(self.body)


@dataclass(frozen=True)
class Client:
    """Asks one server."""

    port: int
    session: Session

    @property
    def address(self) -> str:
        """What the terminal would show."""
        return f"http://127.0.0.1:{self.port}/?token={TOKEN}"

    def ask(self, method: str, path: str, body: Any = None, headers: dict[str, str] | None = None) -> Answer:
        """One request, with the token unless other headers are given."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        sent = {"x-bench-token": TOKEN} if headers is None else headers
        data = body if isinstance(body, bytes | None) else json.dumps(body).encode()
        try:
            connection.request(method, path, data, {"content-type": "application/json", **sent})
            answer = connection.getresponse()
            return Answer(answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read())
        finally:
            connection.close()

    def get(self, path: str) -> Answer:
        """A GET that waits for the engine."""
        for _ in range(30):
            answer = self.ask("GET", path)
            if answer.status != 202:
                return answer
        raise AssertionError("the engine did not finish")

    @property
    def state(self) -> Any:
        """What stands now."""
        return self.ask("GET", "/api/state").json

    def post(self, path: str, **body: Any) -> Answer:
        """A change of what stands now."""
        return self.ask("POST", f"/api/{path}", {"revision": self.state["revision"], **body})


@contextmanager
def serving(folder: Path) -> Iterator[Client]:
    """A server for a case, until the block ends."""
    import uvicorn

    session, listener = Session(folder), listen_on(0)
    port = int(listener.getsockname()[1])
    app = app_of(session, token=TOKEN, port=port)
    server = uvicorn.Server(uvicorn.Config(app, log_level="critical", access_log=False, lifespan="off", ws="none"))
    thread = threading.Thread(target=lambda: server.run(sockets=[listener]), daemon=True)
    thread.start()
    try:
        while not server.started:
            time.sleep(0.01)
        yield Client(port, session)
    finally:
        server.should_exit = True
        thread.join(timeout=30)
        session.close()
        listener.close()
