"""The workbench: one limb in a browser on this machine, tuned by hand, saved as versions beside the case."""

from rectify.workbench.server import app_of, listen_on, serve
from rectify.workbench.session import Session

__all__ = ["Session", "app_of", "listen_on", "serve"]
