"""Pages of a folder on the shop's own network, read by link and answered together.

One process serves; one thread writes a log that is only ever added to, each entry hashed with the one before. Needs the
extra ``share``. Nothing leaves the machine unless the host says so; TLS is the work of a reverse proxy. A decision on a
page does not move the machine.
"""

from ..errors import InputError, how_to_install

try:
    from .app import app
except ModuleNotFoundError as error:
    if (error.name or "").startswith("probekit"):
        raise
    raise InputError(
        f"sharing pages needs {error.name}, which is not installed", todo=how_to_install("share")
    ) from None
from .links import new_link
from .log import verify
from .server import serve

__all__ = ["app", "new_link", "serve", "verify"]
