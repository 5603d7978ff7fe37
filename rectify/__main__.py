"""`python -m rectify`: the command, also where its folder is not on the PATH."""

from __future__ import annotations

import sys

from rectify.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
