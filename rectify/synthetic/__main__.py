"""`python -m rectify.synthetic DIR [--replace]` writes the demo cases into a folder."""

from __future__ import annotations

import argparse
import sys

from rectify.errors import RectifyError
from rectify.synthetic.demo import write_demo


def main(arguments: list[str] | None = None) -> int:
    """Write the demo cases; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m rectify.synthetic", description="Write the demo cases.")
    parser.add_argument("folder", help="where the case folders go")
    parser.add_argument("--replace", action="store_true", help="write over demo cases that are there")
    options = parser.parse_args(arguments)
    try:
        written = write_demo(options.folder, replace=options.replace)
    except RectifyError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_code
    sys.stdout.writelines(f"{place}\n" for place in written)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
