"""Who may speak to the workbench: the token, the host, the origin, the size; and files by name only."""

from __future__ import annotations

import socket

import pytest

from rectify.errors import OutputError
from rectify.workbench import listen_on
from tests.running import run_in
from tests.workbench.serving import TOKEN


def test_the_page_opens_with_the_token_and_says_nothing_without(bench):
    assert bench.ask("GET", f"/?token={TOKEN}", headers={}).status == 200
    for path in ("/", "/?token=", f"/?token={TOKEN}x", "/?other=1"):
        answer = bench.ask("GET", path, headers={})
        assert answer.status == 401 and b"token" in answer.body


@pytest.mark.parametrize("path", ["/api/state", "/api/shape", "/api/found", "/api/hand/fibular-head", "/api/out/0/stl"])
def test_nothing_of_the_case_is_told_without_the_token(bench, path):
    assert bench.ask("GET", path, headers={}).status == 401
    assert bench.ask("GET", f"{path}?token={TOKEN}", headers={}).status == 401  # the address opens the page, no more
    assert bench.ask("GET", path, headers={"x-bench-token": "wrong"}).status == 401


def test_nothing_is_changed_without_the_token(bench):
    before = bench.state["revision"]
    body = {"revision": before, "name": "fibular-head", "change": {"amount": 4}}
    assert bench.ask("POST", "/api/region", body, headers={}).status == 401
    assert bench.state["revision"] == before


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"host": "somewhere.example"}, 421),
        ({"host": "127.0.0.1:1"}, 421),
        ({"origin": "http://somewhere.example"}, 403),
        ({"origin": "null"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"sec-fetch-site": "same-site"}, 403),
    ],
)
def test_another_page_or_another_name_is_refused_though_it_has_the_token(bench, headers, status):
    assert bench.ask("GET", "/api/state", headers={"x-bench-token": TOKEN, **headers}).status == status


def test_its_own_page_is_let_in(bench):
    own = {"origin": f"http://127.0.0.1:{bench.port}", "sec-fetch-site": "same-origin", "x-bench-token": TOKEN}
    assert bench.ask("GET", "/api/state", headers=own).status == 200
    assert bench.ask("GET", "/api/state", headers={**own, "host": f"localhost:{bench.port}"}).status == 200


def test_what_is_too_large_is_refused_and_the_bench_goes_on(bench):
    assert bench.ask("POST", "/api/region", b"x" * (256 * 1024 + 1)).status == 413
    assert bench.ask("GET", "/api/state").status == 200


def test_a_body_that_hides_how_long_it_is_is_not_taken(bench):
    with socket.create_connection(("127.0.0.1", bench.port), timeout=30) as line:
        head = (
            f"POST /api/region HTTP/1.1\r\nHost: 127.0.0.1:{bench.port}\r\nx-bench-token: {TOKEN}\r\n"
            "content-type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n"
        )
        line.sendall(head.encode())
        block = b"10000\r\n" + b"x" * 65536 + b"\r\n"
        try:
            for _ in range(8):
                line.sendall(block)
            line.sendall(b"0\r\n\r\n")
            answer = line.recv(4096)
        except (BrokenPipeError, ConnectionResetError):
            answer = b""
    assert not answer.startswith(b"HTTP/1.1 2")
    assert bench.ask("GET", "/api/state").status == 200


@pytest.mark.parametrize(
    "path",
    [
        "/bench/../server.py",
        "/bench/%2e%2e/server.py",
        "/bench/..%2fserver.py",
        "/viewer/%2e%2e%2f__init__.py",
        "/bench/page.html",
        "/bench/",
        "/api/out/0/..%2fcase.yaml",
        "/api/out/-1/stl",
        "/docs",
        "/openapi.json",
    ],
)
def test_only_named_files_have_an_address(bench, path):
    assert bench.ask("GET", path).status in (404, 422)


def test_answers_forbid_what_a_page_does_not_need(bench):
    headers = bench.ask("GET", f"/?token={TOKEN}").headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy and "script-src 'self'" in policy and "frame-ancestors 'none'" in policy
    assert headers["referrer-policy"] == "no-referrer" and headers["cache-control"] == "no-store"


def test_it_listens_on_loopback_only(bench):
    assert bench.session is not None
    listener = listen_on(0)
    try:
        assert listener.getsockname()[0] == "127.0.0.1"
        with pytest.raises(OutputError, match="cannot be used"):
            taken = socket.socket()
            taken.bind(("127.0.0.1", 0))
            taken.listen()
            try:
                listen_on(taken.getsockname()[1])
            finally:
                taken.close()
    finally:
        listener.close()


def test_the_command_refuses_what_is_no_case(tmp_path):
    ended = run_in(tmp_path, "workbench", tmp_path / "nothing", "--no-open")
    assert ended.code == 2 and "no such case" in ended.err
