"""``python -m bridge`` is the ``railcrest`` command."""

import sys

from bridge.cli import main

sys.exit(main())
