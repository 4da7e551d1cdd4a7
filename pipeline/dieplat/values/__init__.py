"""The frozen values that flow between stages. This package computes nothing."""

from dieplat.values.layout import Layout, PairLink, PlacedTile
from dieplat.values.regions import KINDS, Region, Regions
from dieplat.values.scale import BudgetLine, Scale
from dieplat.values.tiles import Skipped, Tile, TileSet

__all__ = [
    "KINDS",
    "BudgetLine",
    "Layout",
    "PairLink",
    "PlacedTile",
    "Region",
    "Regions",
    "Scale",
    "Skipped",
    "Tile",
    "TileSet",
]
