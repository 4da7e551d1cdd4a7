"""One mosaic of a die laid over another: the map between them from the pictures or from pairs of marks."""

from dieplat.alignment.fit import Alignment, Pair, fit_pairs
from dieplat.alignment.marks import marks_in_common
from dieplat.alignment.pictures import align_pictures
from dieplat.alignment.resample import write_aligned

__all__ = ["Alignment", "Pair", "align_pictures", "fit_pairs", "marks_in_common", "write_aligned"]
