"""Annotated regions: GeoJSON in, checked shapely geometries in mosaic pixels out, and back to GeoJSON."""

from dieplat.annotations.load import load_regions, parse_regions
from dieplat.annotations.store import save_regions
from dieplat.annotations.validate import check_inside

__all__ = ["check_inside", "load_regions", "parse_regions", "save_regions"]
