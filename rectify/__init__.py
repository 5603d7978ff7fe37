"""rectify: parametric rectification of residual-limb models before a check socket is made."""

__version__ = "0.1.0"
