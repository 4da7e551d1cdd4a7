"""From a picture of a stage micrometer to micrometres a pixel, with its standard uncertainty."""

from dieplat.calibration.ruling import Ruling, find_ruling
from dieplat.calibration.scale import measure_scale
from dieplat.calibration.scale_file import load_scale, save_scale

__all__ = ["Ruling", "find_ruling", "load_scale", "measure_scale", "save_scale"]
