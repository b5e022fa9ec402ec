"""Run the command line as ``python -m geoirrig``."""

from geoirrig.cli import main

if __name__ == "__main__":
    main()
