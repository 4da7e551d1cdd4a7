"""Blocks proposed from the picture alone, for a person to accept, redraw or throw away."""

from dieplat.proposals.document import empty_document, with_proposals
from dieplat.proposals.propose import propose_blocks
from dieplat.proposals.values import Proposal

__all__ = ["Proposal", "empty_document", "propose_blocks", "with_proposals"]
