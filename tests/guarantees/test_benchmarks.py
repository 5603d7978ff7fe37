"""The benchmarks run and print what they say they do, on tiny scans; nothing here is timed."""

from __future__ import annotations

import re

import numpy as np
import pytest

from benchmarks import growth, speed

TINY = ("--triangles", "9000", "--amount-vertices", "4500", "--repeats", "1")


@pytest.fixture(autouse=True)
def own_temporary_folder(tmp_path, monkeypatch):
    """Scans of tests are not kept beside those of real runs."""
    monkeypatch.setattr(speed.tempfile, "gettempdir", lambda: str(tmp_path))
    monkeypatch.setattr(growth, "SMALLEST", 8000)


def test_speed_prints_every_table(capsys):
    speed.main(["abcde", *TINY])
    out = capsys.readouterr().out
    assert len(re.findall(r"ratio +[\d.]+ \( *[\d.]+\) +(?:ms|s|MB)", out)) == 8
    for line in "abcde":
        assert re.search(rf"^{line}  ", out, re.MULTILINE), line
    for what in ("new positions", "every guarantee", "the guard alone"):
        assert re.search(what + r", [\d,]+ vertices, \d+ regions: [\d.]+ ms", out), what


def test_growth_prints_exponents(capsys):
    growth.main(["--triangles", "9000", "12000", "--repeats", "1"])
    out = capsys.readouterr().out
    assert len(re.findall(r"^exponent of \w+", out, re.MULTILINE)) == 3
    assert len(re.findall(r"of what grows +[\d.nan]+, beside [\d.nan]+ (?:s|MB) for any scan", out)) == 3


def test_an_exponent_is_the_slope_of_the_logarithms():
    sizes = [50, 100, 400]
    assert growth.exponent(sizes, [5.0 * n for n in sizes]) == pytest.approx(1.0)
    assert growth.exponent(sizes, [0.1 * n**1.5 for n in sizes]) == pytest.approx(1.5)
    assert growth.exponent(sizes, [7.0] * 3) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("power", [0.9, 1.0, 1.16])
def test_what_grows_is_told_from_what_any_scan_takes(power):
    sizes = [8_000, 50_000, 200_000, 1_000_000]
    found, start = growth.own_exponent(sizes, [0.9 + 2.0 * (n / 1e6) ** power for n in sizes])
    assert found == pytest.approx(power, abs=1e-6) and start == pytest.approx(0.9)


@pytest.mark.parametrize("triangles", [8_000, 50_000])
def test_a_scan_has_about_the_triangles_asked_for(triangles):
    path = speed.fine_case(triangles) / "scan.stl"
    assert path.stat().st_size // 50 == pytest.approx(triangles, rel=0.15)
    assert "wear" not in (path.parent / "case.yaml").read_text()


def test_a_liner_is_made_up_for_where_it_is_asked_for():
    assert "wear: [{liner: 3 mm}]" in (speed.fine_case(8_000, liner=True) / "case.yaml").read_text()


def test_what_a_process_used_is_measured():
    work = "import sys; x = bytearray(80_000_000); sys.exit(4)"
    wall, cpu, most, code = speed.process([speed.sys.executable, "-c", work])
    assert code == 4 and most > 80 and wall > 0 and cpu > 0
    assert np.isfinite([wall, cpu, most]).all()
