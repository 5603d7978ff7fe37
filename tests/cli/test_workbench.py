"""`rectify workbench`: as a process of its own, with the address it prints, until it is interrupted."""

from __future__ import annotations

import http.client
import json
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlsplit

from rectify.data import demo_folder
from tests.running import run_in

ROOT = Path(__file__).resolve().parents[2]


def test_it_prints_an_address_that_answers_and_ends_on_an_interrupt(tmp_path):
    folder = shutil.copytree(demo_folder() / "RB-102", tmp_path / "RB-102")
    command = [sys.executable, "-m", "rectify", "workbench", str(folder), "--no-open", "--json"]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)
    try:
        assert run.stdout is not None
        text = ""
        while "}" not in text:
            line = run.stdout.readline()
            assert line, "it ended before it said where it is"
            text += line
        said = json.loads(text)
        assert said["case"] == "RB-102" and said["address"].startswith("http://127.0.0.1:")
        address = urlsplit(said["address"])
        page = http.client.HTTPConnection(address.netloc, timeout=60)  # straight there, whatever proxy is set
        page.request("GET", f"{address.path}?{address.query}")
        assert b"<title>rectify</title>" in page.getresponse().read()
        page.close()
        run.send_signal(signal.SIGINT)
        _, err = run.communicate(timeout=60)
        assert "Traceback" not in err and run.returncode in (0, 130)
    finally:
        run.kill()
        run.communicate()


def test_a_port_that_is_no_port_is_refused(tmp_path):
    assert run_in(tmp_path, "workbench", tmp_path, "--port", "70000").code == 2
