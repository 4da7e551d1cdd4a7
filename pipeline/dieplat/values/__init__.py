"""The frozen values that flow between stages. This package computes nothing."""

from dieplat.values.array import ArrayLattice, Bank
from dieplat.values.correction import Correction, Lens
from dieplat.values.inductor import InductanceEstimate, InductorGeometry
from dieplat.values.layout import FusedTile, Layout, PairLink, PlacedTile
from dieplat.values.offsets import Hypothesis, PairOffsets, StageModel
from dieplat.values.regions import KINDS, Region, Regions
from dieplat.values.scale import BudgetLine, RulingLines, Scale, ScalePart
from dieplat.values.tiles import Skipped, Tile, TileSet

__all__ = [
    "KINDS",
    "ArrayLattice",
    "Bank",
    "BudgetLine",
    "Correction",
    "FusedTile",
    "Hypothesis",
    "InductanceEstimate",
    "InductorGeometry",
    "Layout",
    "Lens",
    "PairLink",
    "PairOffsets",
    "PlacedTile",
    "Region",
    "Regions",
    "RulingLines",
    "Scale",
    "ScalePart",
    "Skipped",
    "StageModel",
    "Tile",
    "TileSet",
]
