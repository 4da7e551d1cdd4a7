"""Lengths on a circuit board from one photograph: perspective and distortion taken out by what is known on it."""
