"""Measured prints as instruments and spreadsheets hand them over, one module a format."""

from pipelines.measured.decide import Measured
from pipelines.measured.read import read_measured
from pipelines.measured.write import write_cgats, write_cxf

__all__ = ["Measured", "read_measured", "write_cgats", "write_cxf"]
