#!/bin/sh
# Sets up .venv-check and runs every check: lint, types, imports between rooms, tests, what the tests took.
# Wanted: git and the Debian packages gmsh, admesh, prusa-slicer and chromium; a Python 3.11 to 3.13 with venv.
# Another one: PYTHON=python3.12 ./check.sh
# All checks run, whatever fails before; the exit code is 0 only where every one of them passed.
set -eu
cd "$(dirname "$0")"

PYTHON=${PYTHON:-python3}
VENV=.venv-check
OUT=out/check
export OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1 # two test processes share the cores

need_apt() { # package, when it is missing: installed where we may, else said
    if command -v apt-get >/dev/null && [ "$(id -u)" = 0 ]; then
        apt-get update -q >/dev/null
        DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends "$1"
    else
        echo "check.sh: $1 is missing; install it (apt-get install $1)" >&2
        exit 2
    fi
}

command -v git >/dev/null || need_apt git
command -v "$PYTHON" >/dev/null || need_apt python3
command -v gmsh >/dev/null || need_apt gmsh # other programs that the tests hold results against
command -v admesh >/dev/null || need_apt admesh
command -v prusa-slicer >/dev/null || need_apt prusa-slicer
command -v chromium >/dev/null || need_apt chromium # what the pages are opened with
"$PYTHON" -c 'import ensurepip, venv' 2>/dev/null || need_apt python3-venv
"$PYTHON" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' || {
    echo "check.sh: $PYTHON is $("$PYTHON" -V); wanted: Python 3.11 to 3.13 (PYTHON=python3.12 ./check.sh)" >&2
    exit 2
}

echo "== set up $VENV ($("$PYTHON" -V))"
"$PYTHON" -m venv "$VENV"
BIN=$VENV/bin
"$BIN/python" -m pip install -q -c constraints.txt --upgrade pip
"$BIN/python" -m pip install -q -c constraints.txt hatchling
"$BIN/python" -m pip install -q -c constraints.txt --no-build-isolation -e . --group check

mkdir -p "$OUT"
failed=
check() { # name, command ...
    name=$1
    shift
    echo "== $name"
    "$@" || failed="$failed $name,"
}

check lint "$BIN/ruff" check
check types "$BIN/mypy"
check rooms "$BIN/lint-imports" --no-logo
check tests "$BIN/python" -m pytest -q -n 2 --dist loadfile --durations=15 --junitxml="$OUT/tests.xml" \
    --cov --cov-report="json:$OUT/coverage.json" --cov-report=
check budget "$BIN/python" tests/budget.py "$OUT/tests.xml" "$OUT/coverage.json"

if [ -n "$failed" ]; then
    echo "== FAILED: ${failed%,}" >&2
    exit 1
fi
echo "== every check passed"
