"""`python -m rectify`: the command, also where its folder is not on the PATH."""

from rectify.cli.main import main

if __name__ == "__main__":
    raise SystemExit(main())
