"""``python -m probekit``: the same as the command ``probekit``."""

from .cli import main

raise SystemExit(main())
