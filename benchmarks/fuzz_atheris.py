"""One target of benchmarks/fuzz.py under the fuzzer atheris, in a process of its own: see `fuzz.py --guide`.

Run as `python benchmarks/fuzz_atheris.py TARGET SEED SECONDS WORK KEEP`. atheris (and libFuzzer in it) is guided by
which branches of rectify an input takes; what it changes comes half from itself and half from `damaged`. It ends the
process at the first finding, with an exit code that is not 0, and writes the input that made it into the folder KEEP.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

with tempfile.TemporaryDirectory() as warm, atheris.instrument_imports(include=["rectify"]):
    from benchmarks.fuzz import LARGEST, SLOW_S, TARGETS, Tried, damaged, once

    NAME = sys.argv[1]
    for sound in TARGETS[NAME].seeds():  # so that what is imported late is instrumented too
        once(TARGETS[NAME], sound, Path(warm), Tried(NAME))


def main() -> None:
    """Fuzz for the seconds asked; does not return."""
    seed, seconds = int(sys.argv[2]), int(sys.argv[3])
    place, corpus, keep = Path(sys.argv[4], "one"), Path(sys.argv[4], "corpus"), Path(sys.argv[5])
    keep.mkdir(parents=True, exist_ok=True)
    place.mkdir()
    corpus.mkdir()
    for number, data in enumerate(TARGETS[NAME].seeds()):
        (corpus / str(number)).write_bytes(data)

    def one(data: bytes) -> None:
        tried = Tried(NAME)
        once(TARGETS[NAME], data, place, tried)
        if tried.findings:
            raise RuntimeError(tried.findings[0][0])

    def mutate(data: bytes, max_size: int, seed: int) -> bytes:
        rng = np.random.default_rng(seed)
        if rng.random() < 0.5:
            return damaged(data, rng)[:max_size]
        return bytes(atheris.Mutate(data, max_size))

    # the timeout goes by the clock, whatever else the machine does; `once` judges by processor time
    limits = [f"-max_total_time={seconds}", f"-max_len={LARGEST}", f"-timeout={int(6 * SLOW_S)}", "-rss_limit_mb=2000"]
    words = [sys.argv[0], str(corpus), f"-seed={seed}", f"-artifact_prefix={keep}/{NAME}-", *limits]
    atheris.Setup(words, one, custom_mutator=mutate)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
