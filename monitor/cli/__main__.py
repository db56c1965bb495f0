"""`python -m monitor.cli`."""

import sys

from monitor.cli.main import main

sys.exit(main())
