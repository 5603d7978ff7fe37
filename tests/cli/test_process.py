"""What a command settles for its process: asked of a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from rectify.cli import process

ASK = """
import os, resource, sys
from rectify.cli.process import settle_process
settle_process()
import numpy as np
def faults():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(20):
        np.ones(2_000_000)
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before
faults()
print(os.environ["OPENBLAS_NUM_THREADS"], faults())
"""


def asked(**env):
    done = subprocess.run(
        [sys.executable, "-c", ASK], env={**os.environ, **env}, capture_output=True, text=True, check=True
    )
    return done.stdout.split()


def test_freed_memory_is_taken_again_and_one_thread_adds():
    threads, faults = asked()
    assert threads == os.environ.get("OPENBLAS_NUM_THREADS", "1")
    # 20 arrays of 16 MB are 78,000 pages of 4 kB: taken again, none of them is asked of the system
    assert int(faults) < 4000


def test_a_number_of_threads_that_was_asked_for_stays():
    assert asked(OPENBLAS_NUM_THREADS="2")[0] == "2"


def test_other_systems_and_other_libraries_are_left_alone(monkeypatch):
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "1")
    monkeypatch.setattr(process.sys, "platform", "darwin")
    monkeypatch.setattr("ctypes.CDLL", lambda _: pytest.fail("asked all the same"))
    process.settle_process()
    monkeypatch.setattr(process.sys, "platform", "linux")
    monkeypatch.setattr("ctypes.CDLL", lambda _: object())  # no mallopt in it
    process.settle_process()
