"""Printed antennas: how a length compares with a quarter wave. Knows nothing of pictures."""
