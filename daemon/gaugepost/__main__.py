"""`python -m gaugepost`."""

import sys

from gaugepost.cli import main

if __name__ == "__main__":
    sys.exit(main())
