"""`python -m strikewatch.cli`."""

import sys

from strikewatch.cli.main import main

sys.exit(main())
