"""Drawings and pictures in the formats of other programs: each an open one, each whole or not there at all."""
