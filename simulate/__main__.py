"""Run the command line as ``python -m simulate``."""

from simulate.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
