"""`python -m ingestd` is the command line."""

import sys

from ingestd.runtime.cli import main

sys.exit(main())
