"""What goes to a machine: positive model, check-socket shell, model to be carved, trimline, files, whole folders."""

from __future__ import annotations

from rectify.fabrication.carving import CarvingModel, CarvingSpec, make_carving
from rectify.fabrication.check_socket import CheckSocket, SocketSpec, make_socket
from rectify.fabrication.fitting import Fitting
from rectify.fabrication.folder import whole_or_nothing
from rectify.fabrication.positive import Positive, read_positive
from rectify.fabrication.positive import positive as positive_model
from rectify.fabrication.shell import Wall
from rectify.fabrication.threemf import threemf_bytes, write_threemf
from rectify.fabrication.trimline import trimline, trimline_facts
from rectify.fabrication.write_stl import single_precision, stl_bytes, write_stl

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
