"""How often proposals of a kind are right, from invented dies: what a stated confidence means.

Right is a proposal whose intersection over union with a drawn block of its kind reaches the aim for that kind (0.9 for
memory arrays, inductors and the die, 0.8 for logic, 0.5 for pads). Counted on the 25 dies of seeds 7200 to 7224 of
`bench/proposal_figures.py`: four kinds of die in four kinds of colours. All were right but one array, which a scratch
crossed (mended since, but counted), so that the evidence the searches give hardly tells right from wrong: it is a
threshold, and the share that was right is the confidence. Proposals of one die share its look and count as one trial.

By the rule of succession (P. S. Laplace, Essai philosophique sur les probabilites, 1814, from memory): of n trials all
right the next is right with probability (n + 1) / (n + 2). Photographs of real dies were not among them.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Record:
    """Dies with proposals of a kind, the part of these that was right, and the least evidence among them."""

    dies: int
    right: float
    least: float


RECORDS = {
    "die": Record(25, 1.0, 0.9),
    "io_pad": Record(25, 1.0, 0.9),
    "rf_inductor": Record(20, 1.0, 0.95),
    "memory_array": Record(18, 17.0 / 18.0, 0.74),
    "logic": Record(25, 1.0, 0.81),
}


def calibrated(kind: str, evidence: float) -> float:
    """Probability that a proposal is right, from what its search gave it (0 to 1).

    Evidence below all that was counted lowers it in proportion. A kind that claims nothing ("other") keeps its own.
    """
    record = RECORDS.get(kind)
    if record is None:
        return evidence
    share = (record.dies * record.right + 1.0) / (record.dies + 2.0)
    return share * min(1.0, evidence / record.least)
