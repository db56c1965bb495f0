"""`python -m monitor.cli.main`."""

import sys

from monitor.cli.main import main

sys.exit(main())
