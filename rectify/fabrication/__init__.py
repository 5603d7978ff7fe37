"""What goes to a machine: positive model, check-socket shell, model to be carved, trimline, files, whole folders.

Names are loaded when they are first used: a pipeline that wants the model does not wait for sockets.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rectify.fabrication.trimline import trimline, trimline_facts
from rectify.fabrication.write_stl import single_precision, stl_bytes, write_stl
from rectify.lazily import from_homes

if TYPE_CHECKING:
    from rectify.fabrication.carving import CarvingModel, CarvingSpec, make_carving
    from rectify.fabrication.check_socket import CheckSocket, SocketSpec, make_socket
    from rectify.fabrication.fitting import Fitting
    from rectify.fabrication.folder import whole_or_nothing
    from rectify.fabrication.positive import Positive, read_positive
    from rectify.fabrication.positive import positive as positive_model
    from rectify.fabrication.shell import Wall
    from rectify.fabrication.threemf import threemf_bytes, write_threemf

__all__ = [
    "CarvingModel",
    "CarvingSpec",
    "CheckSocket",
    "Fitting",
    "Positive",
    "SocketSpec",
    "Wall",
    "make_carving",
    "make_socket",
    "positive_model",
    "read_positive",
    "single_precision",
    "stl_bytes",
    "threemf_bytes",
    "trimline",
    "trimline_facts",
    "whole_or_nothing",
    "write_stl",
    "write_threemf",
]

__getattr__ = from_homes(
    __name__,
    {
        "CarvingModel": "carving",
        "CarvingSpec": "carving",
        "CheckSocket": "check_socket",
        "Fitting": "fitting",
        "Positive": "positive",
        "SocketSpec": "check_socket",
        "Wall": "shell",
        "make_carving": "carving",
        "make_socket": "check_socket",
        "positive_model": "positive:positive",
        "read_positive": "positive",
        "threemf_bytes": "threemf",
        "whole_or_nothing": "folder",
        "write_threemf": "threemf",
    },
)
